"""Burn forecasts and reorder decisions."""

from django.apps import AppConfig


class ForecastingConfig(AppConfig):
    """Forecasts of what each van uses, and the policies that turn them into orders."""

    name = "forecasting"
