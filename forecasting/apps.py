"""Burn forecasts and reorder decisions."""

from django.apps import AppConfig


class ForecastingConfig(AppConfig):
    """Forecasts of what each van uses, and the policies that turn them into orders."""

    name = "forecasting"

    def ready(self) -> None:
        """Follow the ledger, add drafts to audit log and first pages, and check the letters' settings."""
        from forecasting import (  # noqa: PLC0415 - models are not loaded before
            audit_log,
            checks,  # noqa: F401 - Django knows its checks once it is read
            worklist,
        )
        from forecasting.purchasing import goods_receipt  # noqa: PLC0415 - models are not loaded before

        goods_receipt.follow_ledger()
        audit_log.tell()
        worklist.tell()
