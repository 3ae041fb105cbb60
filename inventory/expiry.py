"""What expires: lots estimated from the movements of the ledger (inventory.lots)."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import groupby
from operator import attrgetter
from typing import Any

from django.db.models import QuerySet

from inventory import lots
from inventory.documents import Kind
from inventory.models import OUTSIDE_CODES, Holding, Lot, Movement, Place


@dataclass(frozen=True, slots=True)
class ExpiringRow:
    """How much of a lot is thought to be at a place, in stock units; place, consumable and lot by code."""

    place: str
    consumable: str
    lot: str
    quantity: Decimal
    expires_on: date


def expiring(by: date) -> list[ExpiringRow]:
    """Return the lots in stock that expire on or before `by`, by day, place, consumable and lot.

    Three queries. Reads all movements of the consumables that have such a lot, one consumable at a time.
    """
    due = Lot.objects.filter(
        expires_on__lte=by,
        document__corrected_by__isnull=True,
        consumable__in=Holding.objects.filter(quantity__gt=0).values("consumable"),
    )
    consumables = due.order_by().values("consumable").distinct()
    places = {place.pk: place for place in Place.objects.all()}
    outside = {pk for pk, place in places.items() if place.kind in OUTSIDE_CODES}
    rows = []
    of_line = {
        (lot.document_id, lot.line): lot
        for lot in Lot.objects.filter(consumable__in=consumables).select_related("consumable", "document")
    }
    by_key = {lot.pk: lot for lot in of_line.values()}
    for moves in _moves(consumables, of_line, outside):
        for place, quantities in lots.remaining_lots(moves).items():
            for left, quantity in quantities.items():
                if left.expires_on is not None and left.expires_on <= by:
                    lot = by_key[left.key]
                    label = lot.code or lot.document.client_id
                    rows.append(
                        ExpiringRow(places[place].code, lot.consumable.code, label, quantity, left.expires_on)
                    )
    return sorted(rows, key=attrgetter("expires_on", "place", "consumable", "lot"))


def _moves(
    consumables: QuerySet[Lot, Any], of_line: dict[tuple[int, int], Lot], outside: set[int]
) -> Iterator[list[lots.Move]]:
    """Yield the moves of each consumable as they happened, without those that were entered by mistake."""
    standing = Movement.objects.filter(
        consumable__in=consumables, document__corrected_by__isnull=True
    ).exclude(document__kind=Kind.CORRECTION)
    ordered = standing.order_by("consumable", "occurred_at", "rank", "document__order", "line", "part")
    rows = ordered.values_list(
        "consumable_id",
        "pk",
        "quantity",
        "source_id",
        "destination_id",
        "reverses_id",
        "document_id",
        "line",
        "document__kind",
    )
    for _, group in groupby(rows.iterator(), key=lambda row: row[0]):
        yield [
            lots.Move(
                key,
                quantity,
                None if source in outside else source,
                None if destination in outside else destination,
                _received(of_line.get((document, line))) if kind == Kind.RECEIPT else None,
                returns,
            )
            for _, key, quantity, source, destination, returns, document, line, kind in group
        ]


def _received(lot: Lot | None) -> lots.Lot:
    return lots.Lot(lot.pk, lot.expires_on) if lot else lots.UNKNOWN
