"""Stock on hand and its value, now or at an earlier moment.

An earlier moment is today's stock less what was posted since, so looking back a month costs a month of
movements, not the whole history. That today's stock is the sum of its movements is what
inventory.integrity.stock_checks proves.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal, localcontext
from typing import Any

from django.db.models import F, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from inventory.db.fixed_point import FixedPointField
from inventory.decimals import PRECISION, ZERO
from inventory.models import (
    OUTSIDE_CODES,
    REAL_KINDS,
    Consumable,
    CostAdjustment,
    CostPool,
    Holding,
    LowLevel,
    Movement,
    PlaceConsumable,
)
from inventory.valuation.cost_layers import Pool, proportion


@dataclass(frozen=True, slots=True)
class StockRow:
    """A consumable at a real place, both by code: stock units there and their share of the pool's value."""

    place: str
    consumable: str
    quantity: Decimal
    value: Decimal


@dataclass(slots=True)
class _PoolThen:
    """The pool of one consumable at the moment looked at, handed out place by place."""

    value: Decimal = ZERO
    quantity: Decimal = ZERO
    last_cost: tuple[Decimal, Decimal] = (ZERO, Decimal(1))
    handed_quantity: Decimal = field(default=ZERO, init=False)
    handed_value: Decimal = field(default=ZERO, init=False)

    def share(self, quantity: Decimal) -> Decimal:
        """Return the value of the next `quantity`, so that the shares of all places sum to the pool's value.

        Each is within a ten-thousandth of value x quantity / total. A pool that sums to nothing is worth
        nothing; what one place has too much and another too little is valued at the last known unit cost.
        """
        value, per = (self.value, self.quantity) if self.quantity else self.last_cost
        self.handed_quantity += quantity
        with localcontext(prec=PRECISION):
            due = proportion(value, self.handed_quantity, per) - self.handed_value
        self.handed_value += due
        return due


def stock_at(moment: datetime) -> Iterator[StockRow]:
    """Yield what each real place held of each consumable after all that posted up to `moment`.

    Ordered by place, then consumable; rows of no quantity are left out. The values of one consumable sum to
    its pool's value at that moment exactly. At most eight queries; memory grows with the number of
    consumables and with the pairs that moved since, not with the history.
    """
    since = _moved_since(moment)
    pools = _pools_at(moment, since)
    holdings = (
        Holding.objects.filter(place__kind__in=REAL_KINDS)
        .order_by("place__code", "consumable__code")
        .values_list("place_id", "consumable_id", "place__code", "consumable__code", "quantity")
    )
    for place_id, consumable_id, place, consumable, now in holdings.iterator():
        if quantity := now - since[place_id, consumable_id]:
            yield StockRow(place, consumable, quantity, pools[consumable_id].share(quantity))


def low_stock() -> QuerySet[LowLevel, Any]:
    """Return the low levels that are reached, each with what is `held` there; by place, then consumable."""
    nothing = Value(ZERO, output_field=FixedPointField())
    holding = Holding.objects.filter(place=OuterRef("place"), consumable=OuterRef("consumable"))
    held = Coalesce(Subquery(holding.values("quantity")), nothing)
    return (
        LowLevel.objects.annotate(held=held)
        .filter(held__lte=F("quantity"))
        .select_related("place", "consumable")
        .order_by("place__code", "consumable__code")
    )


def _moved_since(moment: datetime) -> dict[PlaceConsumable, Decimal]:
    """Return what came into real places, less what left them, of all that posted after `moment`."""
    later = Movement.objects.filter(posted_at__gt=moment).order_by()
    moved: dict[PlaceConsumable, Decimal] = defaultdict(Decimal)
    for end, sign in (("source", -1), ("destination", 1)):
        ends = later.filter(**{f"{end}__kind__in": REAL_KINDS})
        sums = ends.values_list(f"{end}_id", "consumable_id").annotate(total=Sum("quantity"))
        for place, consumable, total in sums.iterator():
            moved[place, consumable] += sign * total
    return moved


def _pools_at(moment: datetime, moved_since: dict[PlaceConsumable, Decimal]) -> dict[int, _PoolThen]:
    """Return the pool of each consumable at `moment`: today's, less what was posted since."""
    pools: dict[int, _PoolThen] = defaultdict(_PoolThen)
    for consumable, state in CostPool.objects.values_list("pk", "state"):
        if state is not None:
            pools[consumable].value = Pool.from_json(state).value
    for consumable, change in _value_since(moment).items():
        pools[consumable].value -= change
    held = Holding.objects.filter(place__kind__in=REAL_KINDS).order_by()
    for consumable, total in held.values_list("consumable_id").annotate(total=Sum("quantity")):
        pools[consumable].quantity += total
    for (_, consumable), change in moved_since.items():
        pools[consumable].quantity -= change
    empty = [consumable for consumable, pool in pools.items() if not pool.quantity]
    for consumable, value, quantity in _last_costs(moment, empty):
        pools[consumable].last_cost = (value, quantity)
    return pools


def _value_since(moment: datetime) -> dict[int, Decimal]:
    """Return by how much the value of each pool grew after `moment`.

    What came in, less what went out, less adjustments: what a settled provisional use cost more than it was
    valued at has left the stock too.
    """
    grown: dict[int, Decimal] = defaultdict(Decimal)
    incoming = Q(source__kind__in=OUTSIDE_CODES)
    rows = (
        Movement.objects.filter(posted_at__gt=moment, valued__isnull=False)
        .order_by()
        .values_list("consumable_id")
        .annotate(came=Sum("valued__value", filter=incoming), went=Sum("valued__value", filter=~incoming))
    )
    for consumable, came, went in rows:
        grown[consumable] += (came or ZERO) - (went or ZERO)
    adjustments = CostAdjustment.objects.filter(posted_at__gt=moment).order_by().values_list("consumable_id")
    for consumable, actual, valued in adjustments.annotate(cost=Sum("actual"), charged=Sum("valued")):
        grown[consumable] -= actual - valued
    return grown


def _last_costs(moment: datetime, consumables: list[int]) -> Iterable[tuple[int, Decimal, Decimal]]:
    """Return (consumable id, value, quantity) of the last movement of some value up to `moment`."""
    if not consumables:
        return ()
    last = Movement.objects.filter(
        consumable=OuterRef("pk"), posted_at__lte=moment, valued__value__gt=0
    ).order_by("-posted_at", "-rank", "-document__order", "-line", "-part")
    return (
        Consumable.objects.filter(pk__in=consumables)
        .annotate(value=Subquery(last.values("valued__value")[:1]), per=Subquery(last.values("quantity")[:1]))
        .filter(value__isnull=False)
        .values_list("pk", "value", "per")
    )
