"""Who may see purchases, what a list of them shows, and what happened to one, as text."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from forecasting.models import Purchase, PurchaseEvent, PurchaseLine, PurchaseStatus
from inventory.decimals import ZERO

OPEN, LATE = "open", "overdue"
AWAITED = (PurchaseStatus.SENT, PurchaseStatus.PARTLY_RECEIVED)
CLOSED = (PurchaseStatus.RECEIVED, PurchaseStatus.CANCELLED)


@dataclass(frozen=True, slots=True)
class PurchaseRow:
    """A purchase in a list: how many packs of how many consumables, and what they cost."""

    purchase: Purchase
    lines: int
    total: Decimal
    late: bool


def purchases() -> QuerySet[Purchase]:
    """Return all purchases with what every page shows of them."""
    return Purchase.objects.select_related("supplier", "depot", "run")


def narrowed(found: QuerySet[Purchase], *, supplier: str, status: str) -> QuerySet[Purchase]:
    """Narrow purchases to a supplier's code and a status, OPEN or LATE; what is empty does not narrow."""
    if supplier:
        found = found.filter(supplier__code=supplier)
    if status == OPEN:
        return found.exclude(status__in=CLOSED)
    if status == LATE:
        return found.filter(status__in=AWAITED, expected_on__lt=timezone.localdate())
    return found.filter(status=status) if status else found


def with_lines(found: QuerySet[Purchase]) -> QuerySet[Purchase]:
    """Read the lines of all purchases at once, with their consumables and packs."""
    lines = PurchaseLine.objects.select_related("consumable", "pack").order_by("consumable__code", "pk")
    return found.prefetch_related(Prefetch("lines", lines))


def rows(found: Iterable[Purchase], today: date) -> list[PurchaseRow]:
    """Return what a list shows of purchases read by `with_lines`."""
    return [
        PurchaseRow(
            purchase,
            sum(1 for line in purchase.lines.all() if line.packs),
            total_of(purchase.lines.all()),
            is_late(purchase, today),
        )
        for purchase in found
    ]


def is_late(purchase: Purchase, today: date) -> bool:
    """Return whether something is overdue."""
    waits = purchase.status in AWAITED
    return waits and purchase.expected_on is not None and purchase.expected_on < today


def total_of(lines: Iterable[PurchaseLine]) -> Decimal:
    """Return what lines cost together, net of tax."""
    return sum((line.cost for line in lines), ZERO)


def status_choices() -> list[tuple[str, str]]:
    """Return what a list can be narrowed to."""
    return [(OPEN, OPEN), (LATE, LATE), *((status.value, status.value) for status in PurchaseStatus)]


def happened(purchase: Purchase) -> list[tuple[PurchaseEvent, Sequence[str]]]:
    """Return what happened to a purchase, oldest first, each with its details as text."""
    return [(event, list(_details(event))) for event in purchase.events.all()]


def _details(event: PurchaseEvent) -> Iterable[str]:
    details: dict[str, object] = event.details
    for name, said in details.items():
        if name == "letter":
            continue
        if isinstance(said, list):
            yield from (str(one) for one in said)
        elif name == "by_period":
            yield f"nothing was missing on {said}"
        elif name == "to":
            yield f"to {said}"
        elif name == "receipt":
            yield f"receipt {said}"
        elif name == "correction":
            yield f"by correction {said}"
        else:
            yield str(said)
