"""Restock drafts: from forecast to stock on a van."""
