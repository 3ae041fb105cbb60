"""Checks that the stock books agree with themselves."""
