"""Checks that the stock books are consistent."""
