"""Burn forecasts in the shop: gathering, running, storing, showing."""
