"""What counts found beside what jobs logged: where use may have gone unlogged. A question, not a verdict."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import Case, Count, F, OuterRef, Q, QuerySet, Subquery, Sum, When
from django.db.models.functions import TruncMonth

from inventory.fields import FixedPointField
from inventory.models import CountLine, Movement, PlaceKind
from shop.calendar_periods import ONE_DAY, Period
from shop.days import start_of_day
from shop.models import the_shop

ZERO = Decimal(0)
# Missing in so many counts and so large a share, it is not one wrong count. Our choice, no source.
AGAIN = 2
WORTH_ASKING = Decimal("0.05")


@dataclass(frozen=True, slots=True)
class MissingRow:
    """A consumable at a place: what its counts found short and over, in stock units, and what jobs logged.

    `value` is what was missing less what was found too much, in money.
    """

    place: str
    consumable: str
    name: str
    unit: str
    counts: int
    counts_short: int
    short: Decimal
    over: Decimal
    value: Decimal
    logged: Decimal

    @property
    def missing(self) -> Decimal:
        """What was short, less what was over."""
        return self.short - self.over

    @property
    def share(self) -> Decimal | None:
        """What was missing as a share of all that left; None where nothing did, or no job took any."""
        return self.missing / (self.logged + self.missing) if self.missing > 0 and self.logged > 0 else None

    @property
    def is_again(self) -> bool:
        """Whether most counts, more than one, found it short, and by a share that is worth asking about."""
        often = self.counts_short >= AGAIN and 2 * self.counts_short > self.counts and self.missing > 0
        return often and (self.share is None or self.share >= WORTH_ASKING)


def counted_in(period: Period) -> QuerySet[CountLine, Any]:
    """Return the lines of standing counts of a period with their `missing`, in stock units, and its `worth`.

    Missing is positive, found too much negative; a line that found what the book said has 0.
    """
    lines = CountLine.objects.filter(document__corrected_by__isnull=True)
    if period.start is not None:
        lines = lines.filter(counted_at__gte=start_of_day(period.start))
    if period.end is not None:
        lines = lines.filter(counted_at__lt=start_of_day(period.end + ONE_DAY))
    return lines.annotate(missing=_of_line("quantity"), worth=_of_line("valued__value"))


def found_missing(period: Period) -> list[MissingRow]:
    """Return what counts of a period found, the dearest missing first. Two queries."""
    short, over = Q(missing__gt=0), Q(missing__lt=0)
    rows = (
        counted_in(period)
        .order_by()
        .values("place_id", "consumable_id")
        .annotate(
            counts=Count("pk"),
            counts_short=Count("pk", filter=short),
            short=Sum("missing", filter=short),
            over=Sum("missing", filter=over),
            value=Sum("worth"),
        )
        .values_list(
            *("place_id", "consumable_id", "place__code", "consumable__code", "consumable__name"),
            *("consumable__stock_unit", "counts", "counts_short", "short", "over", "value"),
        )
    )
    logged = _logged(period)
    found = [
        MissingRow(
            place=place,
            consumable=consumable,
            name=name,
            unit=unit,
            counts=counts,
            counts_short=counts_short,
            short=short or ZERO,
            over=-(over or ZERO),
            value=value or ZERO,
            logged=logged[at, of],
        )
        for at, of, place, consumable, name, unit, counts, counts_short, short, over, value in rows
    ]
    return sorted(found, key=lambda row: (-row.value, row.place, row.consumable))


def differing(lines: QuerySet[Any, Any]) -> QuerySet[Any, Any]:
    """Return those of counted_in that found something else than the book said."""
    return lines.filter(~Q(missing=0), missing__isnull=False)


def missing_by_month(period: Period) -> list[tuple[datetime, Decimal]]:
    """Return the value that counts found missing, net, in each month that had a count. One query."""
    month = TruncMonth("counted_at", tzinfo=the_shop().zone)
    rows = counted_in(period).order_by().annotate(month=month).values("month").annotate(total=Sum("worth"))
    return [(month, total or ZERO) for month, total in rows.order_by("month").values_list("month", "total")]


def _of_line(what: str) -> Subquery:
    """Return a line's sum of a field of its movements, positive when stock went missing; 0 without any."""
    signed = Case(
        When(destination__kind=PlaceKind.LOST, then=F(what)),
        default=-1 * F(what),
        output_field=FixedPointField(),
    )
    of_line = Movement.objects.filter(count_line=OuterRef("pk")).order_by().values("count_line")
    return Subquery(of_line.annotate(total=Sum(signed)).values("total"), output_field=FixedPointField())


def _logged(period: Period) -> dict[tuple[int, int], Decimal]:
    """Return what went to jobs from each place, less what came back, by (place, consumable)."""
    moved = Movement.objects.all()
    if period.start is not None:
        moved = moved.filter(occurred_at__gte=start_of_day(period.start))
    if period.end is not None:
        moved = moved.filter(occurred_at__lt=start_of_day(period.end + ONE_DAY))
    out = Q(destination__kind=PlaceKind.JOB)
    place = Case(When(out, then=F("source_id")), default=F("destination_id"))
    signed = Case(When(out, then=F("quantity")), default=-1 * F("quantity"), output_field=FixedPointField())
    rows = (
        moved.filter(out | Q(source__kind=PlaceKind.JOB))
        .order_by()
        .annotate(real=place)
        .values_list("real", "consumable_id")
        .annotate(total=Sum(signed))
    )
    logged: dict[tuple[int, int], Decimal] = defaultdict(Decimal)
    logged.update({(real, consumable): total for real, consumable, total in rows})
    return logged
