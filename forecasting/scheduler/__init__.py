"""Periodic work, done once whichever process does it."""
