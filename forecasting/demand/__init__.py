"""Demand forecasting over whole panels of series; pure."""
