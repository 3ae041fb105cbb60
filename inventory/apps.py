"""The stock ledger."""

from django.apps import AppConfig


class InventoryConfig(AppConfig):
    """Consumables, places, documents, movements and their valuation."""

    name = "inventory"
