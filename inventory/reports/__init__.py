"""Readings of the ledger: stock on hand, weekly consumption."""
