"""Burn forecasts and reorder decisions."""

from django.apps import AppConfig


class ForecastingConfig(AppConfig):
    """Forecasts of what each van uses, and the policies that turn them into orders."""

    name = "forecasting"

    def ready(self) -> None:
        """Let corrections of receipts count in the orders they belong to, and check what letters need."""
        from forecasting import checks  # noqa: F401, PLC0415 - Django knows its checks once it is read
        from forecasting.purchasing import receiving  # noqa: PLC0415 - models are not loaded before

        receiving.follow_ledger()
