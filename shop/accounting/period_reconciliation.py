"""Where the value received in a period went, consumable by consumable, proven from two ends.

    receipts = job materials + wear parts + losses + scrap + adjustments + change of stock

The stock at the start is added up from the first movement on; the stock at the end is what the cost pools
hold now, less all that posted since. The two ends share no figure, so an
explained difference shows that the pools hold what the movements brought.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, fields
from decimal import Decimal
from enum import StrEnum

from django.db.models import Case, F, IntegerField, Q, QuerySet, Sum, Value, When

from inventory.decimals import ZERO
from inventory.integrity.stock_checks import stored_pool
from inventory.ledger.period_lock import open_from
from inventory.models import (
    REAL_KINDS,
    Consumable,
    ConsumableKind,
    CostAdjustment,
    CostPool,
    Document,
    Movement,
    PlaceKind,
)
from shop.accounting.periods import ONE_DAY, Period
from shop.models import in_shop_zone, start_of_day, the_shop

BEFORE, WITHIN, AFTER = range(3)


class Part(StrEnum):
    """A kind of movement across the boundary of stock."""

    RECEIPTS = "receipts"
    MATERIALS = "job materials"
    PARTS = "wear parts"
    LOSSES = "losses"
    SCRAP = "scrap"


@dataclass(slots=True)
class Reconciled:
    """Values of a period in money; what came back is taken off each."""

    receipts: Decimal = ZERO
    job_materials: Decimal = ZERO
    wear_parts: Decimal = ZERO
    losses: Decimal = ZERO
    scrap: Decimal = ZERO
    adjustments: Decimal = ZERO
    opening_stock: Decimal = ZERO
    closing_stock: Decimal = ZERO

    @property
    def change_of_stock(self) -> Decimal:
        return self.closing_stock - self.opening_stock

    @property
    def gone_or_there(self) -> Decimal:
        """The right-hand side of the identity."""
        gone = self.job_materials + self.wear_parts + self.losses + self.scrap + self.adjustments
        return gone + self.change_of_stock

    @property
    def unexplained(self) -> Decimal:
        """Receipts less where they went: zero when every cent is accounted for."""
        return self.receipts - self.gone_or_there

    @property
    def is_empty(self) -> bool:
        """Whether there was nothing, and nothing happened."""
        return all(not getattr(self, field.name) for field in fields(self))

    def __add__(self, other: "Reconciled") -> "Reconciled":
        return Reconciled(*(getattr(self, field.name) + getattr(other, field.name) for field in fields(self)))


def reconcile_period(period: Period) -> dict[str, Reconciled]:
    """Return the reconciliation of each consumable by code, without those that never had any.

    Four queries; the first two read all movements, as a proof from the first one on has to.
    """
    consumables = {
        pk: (code, kind) for pk, code, kind in Consumable.objects.values_list("pk", "code", "kind")
    }
    found: dict[int, Reconciled] = {pk: Reconciled() for pk in consumables}
    since: dict[int, Decimal] = defaultdict(Decimal)
    # Consumable, when, part, and what it brought into stock.
    booked: list[tuple[int, int, str, Decimal]] = []
    crossed = (
        Movement.objects.filter(valued__isnull=False)
        .order_by()
        .annotate(when=_when(period))
        .values_list("consumable_id", "source__kind", "destination__kind", "when")
        .annotate(total=Sum("valued__value"))
    )
    for consumable, source, destination, when, value in crossed:
        if part := _part_of(source, destination, consumables[consumable][1]):
            enters = source not in REAL_KINDS
            booked.append((consumable, when, part.replace(" ", "_"), value if enters else -value))
    adjusted = (
        CostAdjustment.objects.order_by()
        .annotate(when=_when(period))
        .values_list("consumable_id", "when")
        .annotate(actual_sum=Sum("actual"), valued_sum=Sum("valued"))
    )
    booked += [
        (consumable, when, "adjustments", valued - actual) for consumable, when, actual, valued in adjusted
    ]
    for consumable, when, name, into_stock in booked:
        if when == BEFORE:
            found[consumable].opening_stock += into_stock
        elif when == AFTER:
            since[consumable] += into_stock
        else:
            # Receipts count what comes in, all others what goes out.
            amount = into_stock if name == Part.RECEIPTS else -into_stock
            setattr(found[consumable], name, getattr(found[consumable], name) + amount)
    for consumable, state in CostPool.objects.values_list("pk", "state"):
        pool = stored_pool(state)
        found[consumable].closing_stock = (pool.value if pool else ZERO) - since[consumable]
    return {
        consumables[pk][0]: reconciled
        for pk, reconciled in sorted(found.items(), key=lambda item: consumables[item[0]][0])
        if not reconciled.is_empty
    }


def total_of(reconciled: Iterable[Reconciled]) -> Reconciled:
    """Return the sum over consumables."""
    return sum(reconciled, Reconciled())


def movements_of(part: Part, period: Period) -> QuerySet[Movement]:
    """Return the movements of a period that make a part."""
    kind = {
        Part.RECEIPTS: PlaceKind.SUPPLIER,
        Part.MATERIALS: PlaceKind.JOB,
        Part.PARTS: PlaceKind.JOB,
        Part.LOSSES: PlaceKind.LOST,
        Part.SCRAP: PlaceKind.SCRAPPED,
    }[part]
    moved = within(Movement.objects.filter(valued__isnull=False), period)
    moved = moved.filter(
        Q(source__kind=kind, destination__kind__in=REAL_KINDS)
        | Q(destination__kind=kind, source__kind__in=REAL_KINDS)
    )
    worn = Q(consumable__kind=ConsumableKind.WORN)
    if part is Part.MATERIALS:
        return moved.exclude(worn)
    return moved.filter(worn) if part is Part.PARTS else moved


def sign_of(part: Part, source_kind: str) -> int:
    """Return 1 when a movement of a part from a kind of place adds to it, -1 when it takes off."""
    enters = source_kind not in REAL_KINDS
    return 1 if enters == (part is Part.RECEIPTS) else -1


def open_provisional(period: Period) -> list[tuple[Movement, Decimal, Decimal]]:
    """Return uses posted up to the end of a period that still wait for a receipt to say what they cost.

    Each with the quantity that waits and the value it was given so far. Two queries.
    """
    owed: dict[int, tuple[Decimal, Decimal]] = {}
    for state in CostPool.objects.exclude(state=None).values_list("state", flat=True):
        pool = stored_pool(state)
        for key, quantity, value in pool.owed if pool else ():
            owed[key] = (quantity, value)
    moved = Movement.objects.filter(pk__in=owed).select_related("document", "consumable", "source")
    if period.end is not None:
        moved = moved.filter(posted_at__lt=start_of_day(period.end + ONE_DAY))
    return [(movement, *owed[movement.pk]) for movement in moved.order_by("posted_at", "pk")]


def late_documents(period: Period) -> QuerySet[Document]:
    """Return documents that could not post in their own period and so count in this one."""
    return within(Document.objects.filter(occurred_at__lt=F("posted_at")), period)


def open_period() -> Period:
    """Return all days from the first open one on; all time when nothing is locked."""
    first_open = open_from()
    return Period(first_open and in_shop_zone(first_open, the_shop()).date())


def within(rows: QuerySet, period: Period) -> QuerySet:  # type: ignore[type-arg]
    """Return those of rows that posted in a period."""
    if period.start is not None:
        rows = rows.filter(posted_at__gte=start_of_day(period.start))
    if period.end is not None:
        rows = rows.filter(posted_at__lt=start_of_day(period.end + ONE_DAY))
    return rows


def _when(period: Period) -> Case:
    """Return whether a row posted before, within or after a period."""
    cases = []
    if period.start is not None:
        cases.append(When(posted_at__lt=start_of_day(period.start), then=Value(BEFORE)))
    if period.end is not None:
        cases.append(When(posted_at__gte=start_of_day(period.end + ONE_DAY), then=Value(AFTER)))
    return Case(*cases, default=Value(WITHIN), output_field=IntegerField())


def _part_of(source: str, destination: str, consumable_kind: str) -> Part | None:
    """Return the part that a movement belongs to; None when it does not cross the boundary of stock."""
    if (source in REAL_KINDS) == (destination in REAL_KINDS):
        return None
    match PlaceKind(destination if source in REAL_KINDS else source):
        case PlaceKind.JOB:
            return Part.PARTS if consumable_kind == ConsumableKind.WORN else Part.MATERIALS
        case PlaceKind.LOST:
            return Part.LOSSES
        case PlaceKind.SCRAPPED:
            return Part.SCRAP
        case _:
            return Part.RECEIPTS
