"""Margins, how they changed, and the price that reaches a target."""
