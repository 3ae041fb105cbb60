"""Shrinkage found by counts beside what jobs logged: use may be unlogged. A question, not a verdict."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, overload

from django.db.models import Case, F, OuterRef, Q, QuerySet, Subquery, Sum, Value, When
from django.db.models.functions import Coalesce, TruncMonth

from inventory.db.fixed_point import FixedPointField
from inventory.decimals import ZERO
from inventory.models import CountLine, Movement, PlaceKind
from shop.accounting.periods import ONE_DAY, Period
from shop.costing.net_issues import net_into_jobs
from shop.models import start_of_day, the_shop

# Missing in so many counts and so large a share, it is not one wrong count. Our choice, no source.
AGAIN = 2
WORTH_ASKING = Decimal("0.05")
NAMES = (
    *("place_id", "consumable_id", "place__code"),
    *("consumable__code", "consumable__name", "consumable__stock_unit"),
)


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
    return _standing(period).annotate(missing=_of_line("quantity"), worth=_of_line("valued__value"))


def _standing(period: Period) -> QuerySet[CountLine]:
    lines = CountLine.objects.filter(document__corrected_by__isnull=True)
    if period.start is not None:
        lines = lines.filter(counted_at__gte=start_of_day(period.start))
    if period.end is not None:
        lines = lines.filter(counted_at__lt=start_of_day(period.end + ONE_DAY))
    return lines


class FoundMissing(Sequence[MissingRow]):
    """The places and consumables counted in a period, the costliest shrinkage first.

    Counts and jobs are read only for the rows asked for.
    """

    def __init__(self, period: Period) -> None:
        self._period = period
        self._pairs = _standing(period).values("place_id", "consumable_id")

    def __len__(self) -> int:
        return self._pairs.order_by().distinct().count()

    def __iter__(self) -> Iterator[MissingRow]:
        return iter(self[:])

    @overload
    def __getitem__(self, index: int) -> MissingRow: ...

    @overload
    def __getitem__(self, index: slice) -> list[MissingRow]: ...

    def __getitem__(self, index: int | slice) -> MissingRow | list[MissingRow]:
        nothing = Value(ZERO, output_field=FixedPointField())
        costliest_first = (
            self._pairs.annotate(value=Coalesce(Sum(_missing("valued__value", "movements__")), nothing))
            .order_by("-value", "place__code", "consumable__code")
            .values(*NAMES, "value")
        )
        if isinstance(index, slice):
            return _rows(self._period, list(costliest_first[index]))
        return _rows(self._period, [costliest_first[index]])[0]


def _rows(period: Period, found: Sequence[dict[str, Any]]) -> list[MissingRow]:
    """Return a row for each of some pairs of NAMES and `value`. Two queries."""
    places = {each["place_id"] for each in found}
    consumables = {each["consumable_id"] for each in found}
    missing: dict[tuple[int, int], list[Decimal]] = defaultdict(list)
    lines: QuerySet[Any, Any] = counted_in(period).filter(place__in=places, consumable__in=consumables)
    for place, consumable, of_line in lines.values_list("place_id", "consumable_id", "missing"):
        missing[place, consumable].append(of_line or ZERO)
    logged = _logged(period, places, consumables)
    rows = []
    for each in found:
        pair = each["place_id"], each["consumable_id"]
        short = [amount for amount in missing[pair] if amount > 0]
        rows.append(
            MissingRow(
                place=each["place__code"],
                consumable=each["consumable__code"],
                name=each["consumable__name"],
                unit=each["consumable__stock_unit"],
                counts=len(missing[pair]),
                counts_short=len(short),
                short=sum(short, ZERO),
                over=-sum((amount for amount in missing[pair] if amount < 0), ZERO),
                value=each["value"],
                logged=logged[pair],
            )
        )
    return rows


def differing(lines: QuerySet[Any, Any]) -> QuerySet[Any, Any]:
    """Return those of counted_in that found something else than the book said."""
    return lines.filter(~Q(missing=0), missing__isnull=False)


def missing_by_month(period: Period) -> list[tuple[datetime, Decimal]]:
    """Return the value that counts found missing, net, in each month that had a count. One query."""
    month = TruncMonth("counted_at", tzinfo=the_shop().zone)
    worth = Sum(_missing("valued__value", "movements__"))
    rows = _standing(period).order_by().annotate(month=month).values("month").annotate(total=worth)
    return [(month, total or ZERO) for month, total in rows.order_by("month").values_list("month", "total")]


def _of_line(what: str) -> Subquery:
    """Return a line's sum of a field of its movements, positive when stock went missing; 0 without any."""
    of_line = Movement.objects.filter(count_line=OuterRef("pk")).order_by().values("count_line")
    return Subquery(
        of_line.annotate(total=Sum(_missing(what))).values("total"), output_field=FixedPointField()
    )


def _missing(what: str, movements: str = "") -> Case:
    """Return a field of a movement, positive when stock went missing; `movements` is the way there."""
    field = F(f"{movements}{what}")
    lost = {f"{movements}destination__kind": PlaceKind.LOST}
    return Case(When(**lost, then=field), default=-1 * field, output_field=FixedPointField())


def _logged(
    period: Period, places: Collection[int], consumables: Collection[int]
) -> dict[tuple[int, int], Decimal]:
    """Return what went to jobs from these places, less what came back, by (place, consumable)."""
    moved = Movement.objects.filter(consumable__in=consumables)
    if period.start is not None:
        moved = moved.filter(occurred_at__gte=start_of_day(period.start))
    if period.end is not None:
        moved = moved.filter(occurred_at__lt=start_of_day(period.end + ONE_DAY))
    out = Q(destination__kind=PlaceKind.JOB)
    place = Case(When(out, then=F("source_id")), default=F("destination_id"))
    rows = (
        moved.filter(out & Q(source__in=places) | Q(source__kind=PlaceKind.JOB, destination__in=places))
        .order_by()
        .annotate(real=place)
        .values_list("real", "consumable_id")
        .annotate(total=net_into_jobs("quantity", ""))
    )
    logged: dict[tuple[int, int], Decimal] = defaultdict(Decimal)
    logged.update({(real, consumable): total for real, consumable, total in rows})
    return logged
