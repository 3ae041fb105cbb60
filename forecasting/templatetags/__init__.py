"""Filters of the forecasting templates."""
