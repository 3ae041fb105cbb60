"""What is done to restocks and purchases, as acts of the audit trail (shop.people.audit_log)."""

from forecasting.models import PurchaseEvent, RestockEvent
from shop.people.audit_log import Source, register


def tell() -> None:
    """Add both kinds of drafts to the trail."""
    register(
        Source(
            "restocks",
            lambda: RestockEvent.objects.select_related("restock__van"),
            "at",
            "by",
            lambda event: f"restock {event.restock}: {event.label}",
        )
    )
    register(
        Source(
            "purchases",
            lambda: PurchaseEvent.objects.select_related("purchase"),
            "at",
            "by",
            lambda event: f"purchase {event.purchase}: {event.label}",
        )
    )
