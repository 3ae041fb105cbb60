"""Lots: what expires first goes out first; pure."""
