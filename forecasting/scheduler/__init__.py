"""Periodic work, done once whoever does it."""
