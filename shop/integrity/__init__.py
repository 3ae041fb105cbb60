"""Checks that jobs and their costs agree with the ledger."""
