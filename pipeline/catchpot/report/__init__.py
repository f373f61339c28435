"""The report people read."""
