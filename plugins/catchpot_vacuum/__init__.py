"""Vacuum and seals: how much leaks, which seal, and when to replace it."""
