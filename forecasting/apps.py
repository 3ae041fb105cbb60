"""Burn forecasts and reorder decisions."""

from django.apps import AppConfig


class ForecastingConfig(AppConfig):
    """Forecasts of what each van uses, and the policies that turn them into orders."""

    name = "forecasting"

    def ready(self) -> None:
        """Follow the ledger, tell the trail and the first pages of drafts, and check what letters need."""
        from forecasting import (  # noqa: PLC0415 - models are not loaded before
            attention,
            checks,  # noqa: F401 - Django knows its checks once it is read
            trail,
        )
        from forecasting.purchasing import receiving  # noqa: PLC0415 - models are not loaded before

        receiving.follow_ledger()
        trail.tell()
        attention.tell()
