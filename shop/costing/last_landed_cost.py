"""What a unit of a long-lived part cost when work was done with it: its latest landed cost by then."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from inventory.models import Movement


@dataclass(frozen=True, slots=True)
class Landed:
    """A received quantity and its landed value, in stock units and money."""

    value: Decimal
    quantity: Decimal


class _Receipt(NamedTuple):
    """A receipt line in the order of valuation; `undone_at` is when its correction counts, if it has one."""

    posted_at: datetime
    order: str
    line: int
    undone_at: datetime | None
    landed: Landed


class PartCosts:
    """The receipts of some parts, read at once: one query, over an index that holds receipts only."""

    def __init__(self, consumables: Iterable[int], until: datetime) -> None:
        self._receipts: dict[int, list[_Receipt]] = defaultdict(list)
        rows = Movement.objects.filter(
            consumable__in=set(consumables), landed_value__isnull=False, posted_at__lte=until
        ).values_list(
            "consumable_id",
            "posted_at",
            "document__order",
            "line",
            "document__corrected_by__posted_at",
            "landed_value",
            "quantity",
        )
        for consumable, posted_at, order, line, undone_at, value, quantity in rows:
            if value is not None:  # as filtered above
                receipt = _Receipt(posted_at, order, line, undone_at, Landed(value, quantity))
                self._receipts[consumable].append(receipt)
        for receipts in self._receipts.values():
            receipts.sort(key=lambda receipt: receipt[:3])

    def latest(self, consumable: int, moment: datetime) -> Landed | None:
        """Return the latest receipt that counted at a moment; None when there was none."""
        receipts = self._receipts.get(consumable, [])
        end = bisect_right(receipts, moment, key=lambda receipt: receipt.posted_at)
        for receipt in reversed(receipts[:end]):
            if receipt.undone_at is None or receipt.undone_at > moment:
                return receipt.landed
        return None
