"""The shop: people, jobs, their closing and their cost."""

from django.apps import AppConfig


class ShopConfig(AppConfig):
    """Jobs on top of the stock ledger."""

    name = "shop"

    def ready(self) -> None:
        """Keep job costs in step with the ledger's values."""
        from shop.costing import job_costs  # noqa: PLC0415 - models are not loaded before the apps are ready

        job_costs.follow_ledger()
