"""What is usual for stock documents, read from the ledger for the questions about odd entries."""

from collections import defaultdict
from collections.abc import Collection
from datetime import timedelta
from decimal import Decimal

from django.utils import timezone

from inventory.documents import DocumentKind
from inventory.models import Holding, Movement, Place

# Far enough back to have seen what is rarely bought, and no further, so that the cost stays that of a year.
RECENT = timedelta(days=366)


def recent_quantities(kind: DocumentKind, consumables: Collection[str]) -> dict[str, list[Decimal]]:
    """Return by code the recent quantities of each consumable in documents of one kind. One query."""
    rows = Movement.objects.filter(
        consumable__code__in=consumables,
        posted_at__gte=timezone.now() - RECENT,
        document__kind=kind,
        document__corrected_by__isnull=True,
    )
    found: dict[str, list[Decimal]] = defaultdict(list)
    for code, quantity in rows.values_list("consumable__code", "quantity"):
        found[code].append(quantity)
    return found


def held(place: Place, consumables: Collection[str]) -> dict[str, Decimal]:
    """Return by code what the book says is at a place; nothing for what was never there. One query."""
    rows = Holding.objects.filter(place=place, consumable__code__in=consumables)
    return dict(rows.values_list("consumable__code", "quantity"))


def shelf(place: str) -> list[str]:
    """Return the codes of what was ever at a place, in order: the lines of its count. One query."""
    rows = Holding.objects.filter(place__code=place).order_by("consumable__code")
    return list(rows.values_list("consumable__code", flat=True))
