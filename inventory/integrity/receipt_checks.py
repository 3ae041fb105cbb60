"""Are the landed values and the lots of a receipt what its content gives?"""

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

from django.contrib.admin.models import CHANGE, LogEntry
from django.db.models import Q

from inventory.documents import DocumentKind
from inventory.integrity.stock_checks import Disagreement
from inventory.models import Books, Consumable, Document, Lot
from inventory.valuation.landed_cost import landed_costs

Landed = list[tuple[int, Decimal | None]]


class Batch(NamedTuple):
    """What a lot is, by codes; the shelf life is what its expiry was counted by."""

    consumable: str
    code: str
    expires_on: date | None
    shelf_life_days: int | None = None

    def __str__(self) -> str:
        name = f"{self.consumable} {self.code}".rstrip()
        if self.expires_on is None:
            return name
        kept = "" if self.shelf_life_days is None else f", {self.shelf_life_days} days after it came"
        return f"{name} expiring {self.expires_on}{kept}"


class ShelfLife(NamedTuple):
    """How long a consumable keeps, None forever, and whether that may have been another time before."""

    days: int | None
    changed: bool


def shelf_lives() -> dict[str, ShelfLife]:
    """Return the shelf life of each consumable by code. Admin and API change it, and log that."""
    log = LogEntry.objects.filter(
        Q(change_message__contains="Shelf life days") | Q(change_message="by the API"),
        content_type__app_label="inventory",
        content_type__model="consumable",
        action_flag=CHANGE,
    )
    changed = set(log.values_list("object_id", flat=True))
    rows = Consumable.objects.values_list("pk", "code", "shelf_life_days")
    return {code: ShelfLife(days, str(pk) in changed) for pk, code, days in rows}


def stored_lots(chunk: Collection[Document]) -> dict[int, dict[int, Batch]]:
    """Return the lots of documents by line."""
    lots: dict[int, dict[int, Batch]] = defaultdict(dict)
    rows = Lot.objects.filter(document__in=chunk).order_by("line")
    for document, line, consumable, code, expires_on, days in rows.values_list(
        "document_id", "line", "consumable__code", "code", "expires_on", "shelf_life_days"
    ):
        lots[document][line] = Batch(consumable, code, expires_on, days)
    return lots


def lots(
    document: Document,
    says: dict[str, Any],
    stored: dict[int, Batch],
    lives: dict[str, ShelfLife],
    books: Books,
) -> Iterator[Disagreement]:
    """Compare lots with what the lines of a receipt, and the shelf lives, give; no other document has any."""
    lines = enumerate(says["lines"], 1) if document.kind == DocumentKind.RECEIPT else ()
    received_on = books.day_of(document.occurred_at)
    due = {
        number: _batch(line, received_on, lives[line["consumable"]], stored.get(number))
        for number, line in lines
    }
    for number in sorted(due.keys() | stored.keys()):
        if (lot := stored.get(number)) != (expected := due.get(number)):
            yield Disagreement("lot", f"{document} line {number}", lot or "none", expected or "none")


def _batch(line: dict[str, Any], received_on: date, life: ShelfLife, stored: Batch | None) -> Batch | None:
    """Return the lot that a line of a receipt makes; `stored` where what it rests on was not kept."""
    expires_on, days = None, None
    if line["expires_on"]:
        expires_on = date.fromisoformat(line["expires_on"])
    elif (days := (stored.shelf_life_days if stored else None) if life.changed else life.days) is not None:
        expires_on = received_on + timedelta(days=days)
    elif life.changed and stored:
        expires_on = stored.expires_on
    if line["lot"] or expires_on:
        return Batch(line["consumable"], line["lot"], expires_on, days)
    return None


def landed_values(
    document: Document, says: dict[str, Any], stored: Landed, minor_unit: Decimal
) -> Iterator[Disagreement]:
    """Compare landed values with the lines and charges: in all, and line by line."""
    costs = [Decimal(line["cost"]) for line in says["lines"]]
    charges = Decimal(says["freight"]) + Decimal(says["duty"]) - Decimal(says["discount"])
    in_all = sum((value or Decimal(0) for _, value in stored), Decimal(0))
    if in_all != sum(costs, charges):
        yield Disagreement("landed value of receipt", str(document), in_all, sum(costs, charges))
    expected = landed_costs(
        costs,
        [Decimal(line["quantity"]) for line in says["lines"]],
        charges,
        minor_unit,
        by_quantity=says["share_by"] == "quantity",
    )
    for (line, value), due in zip(stored, expected, strict=False):
        if value != due:
            yield Disagreement("landed value", f"{document} line {line}", value, due)
