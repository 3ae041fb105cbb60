"""The landed unit cost at the last receipt: at any moment, and by the current books."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from django.db.models import F, OuterRef, Subquery

from inventory.models import Consumable, Movement
from inventory.valuation.cost_layers import order_in_moment


@dataclass(frozen=True, slots=True)
class Landed:
    """A received quantity and its landed value, in stock units and money."""

    value: Decimal
    quantity: Decimal


class _Receipt(NamedTuple):
    """A receipt line in the order of valuation; `undone_at` is when its correction counts, if it has one."""

    posted_at: datetime
    order: tuple[int, str, str, int, int]
    undone_at: datetime | None
    landed: Landed


class PartCosts:
    """The receipts of some consumables, read at once: one query, over an index that holds receipts only."""

    def __init__(self, consumables: Iterable[int], until: datetime) -> None:
        self._receipts: dict[int, list[_Receipt]] = defaultdict(list)
        rows = Movement.objects.filter(
            consumable__in=set(consumables), landed_value__isnull=False, posted_at__lte=until
        ).values_list(
            "consumable_id",
            "posted_at",
            "document__corrected_by__posted_at",
            "landed_value",
            "quantity",
            *("rank", "document__order", "document__kind", "line", "part"),
        )
        for consumable, posted_at, undone_at, value, quantity, *place in rows:
            if value is not None:  # as filtered above
                receipt = _Receipt(posted_at, order_in_moment(*place), undone_at, Landed(value, quantity))
                self._receipts[consumable].append(receipt)
        for receipts in self._receipts.values():
            receipts.sort(key=lambda receipt: receipt[:2])

    def latest(self, consumable: int, moment: datetime) -> Landed | None:
        """Return the latest receipt that counted at a moment; None when there was none."""
        receipts = self._receipts.get(consumable, [])
        end = bisect_right(receipts, moment, key=lambda receipt: receipt.posted_at)
        for receipt in reversed(receipts[:end]):
            if receipt.undone_at is None or receipt.undone_at > moment:
                return receipt.landed
        return None


def last_unit_costs(consumables: Collection[Consumable]) -> dict[int, Decimal]:
    """Return by id the landed cost of a stock unit of each consumable at its last valid receipt.

    What was never received is left out. One query.
    """
    standing = Movement.objects.filter(
        consumable=OuterRef("pk"), landed_value__isnull=False, document__corrected_by__isnull=True
    ).order_by("-posted_at")
    rows = (
        Consumable.objects.filter(pk__in={consumable.pk for consumable in consumables})
        .alias(last=Subquery(standing.values("posted_at")[:1]))
        .filter(
            movements__posted_at=F("last"),
            movements__landed_value__isnull=False,
            movements__document__corrected_by__isnull=True,
        )
        .order_by()
        .values_list(
            "pk",
            "movements__landed_value",
            "movements__quantity",
            *("movements__rank", "movements__document__order", "movements__document__kind"),
            *("movements__line", "movements__part"),
        )
    )
    # Of the receipts of one moment, the ledger's last.
    in_order = sorted(rows, key=lambda row: order_in_moment(*row[3:]))
    return {consumable: value / units for consumable, value, units, *_ in in_order}


def known_unit_costs(consumables: Collection[Consumable]) -> dict[int, Decimal]:
    """Return by id the last unit cost of each consumable, before any receipt its standard cost.

    What has neither is left out. One query.
    """
    standard = {row.pk: row.standard_cost for row in consumables if row.standard_cost is not None}
    return standard | last_unit_costs(consumables)
