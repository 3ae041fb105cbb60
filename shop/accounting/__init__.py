"""Periods: closing, reconciliation, shrinkage and count variances."""
