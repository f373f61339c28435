"""Figures drawn as SVG before any script runs; see `picture`."""
