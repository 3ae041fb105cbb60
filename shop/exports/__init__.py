"""Files out: CSV and PDF."""
