"""Standard against actual: what jobs should have taken and cost, and what they did."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import reduce
from itertools import groupby
from operator import add, itemgetter

from django.db.models import Case, IntegerField, QuerySet, Sum, Value, When

from inventory.decimals import ZERO
from inventory.models import Consumable, ConsumableKind, MovementValue
from shop.costing.net_issues import net_into_jobs
from shop.costing.posted_costs import posted_costs
from shop.costing.variances import LabourVariances, MaterialVariances, labour_variances, material_variances
from shop.models import JobCost, JobType, LabourRate, StandardUse, start_of_day

NO_RATE = -1
CONSUMPTION_BY = ("job_type", "technician", "damage_type", "glass")
Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class MaterialLine:
    """One consumable of one job type: quantities in stock units, cost in money, and its variances.

    The variances are None when the consumable has no standard cost.
    """

    job_type: str
    consumable: str
    jobs: int
    actual_quantity: Decimal
    standard_quantity: Decimal
    actual_cost: Decimal
    variances: MaterialVariances | None


@dataclass(frozen=True, slots=True)
class ConsumptionLine:
    """One consumable of one group of jobs; see MaterialLine."""

    group: str
    consumable: Consumable
    jobs: int
    actual_quantity: Decimal
    standard_quantity: Decimal
    actual_cost: Decimal
    variances: MaterialVariances | None

    @property
    def over(self) -> Decimal:
        """What was used beyond the standard, negative when less."""
        return self.actual_quantity - self.standard_quantity


@dataclass(frozen=True, slots=True)
class LabourLine:
    """One job type's minutes, against the standard at the shop's own rate.

    The variances are None when the shop had no rate on the day of one of its jobs.
    """

    job_type: str
    jobs: int
    actual_minutes: Decimal
    standard_minutes: Decimal
    actual_cost: Decimal
    variances: LabourVariances | None

    def __add__(self, other: "LabourLine") -> "LabourLine":
        return LabourLine(
            self.job_type,
            self.jobs + other.jobs,
            self.actual_minutes + other.actual_minutes,
            self.standard_minutes + other.standard_minutes,
            self.actual_cost + other.actual_cost,
            self.variances + other.variances if self.variances and other.variances else None,
        )


def material_lines(start: date | None = None, end: date | None = None) -> Iterator[MaterialLine]:
    """Yield the consumables of each job type that posted from `start` to `end`: four queries.

    Parts that wear are left out, as in a job's materials: their wear is charged by the minute, and what was
    replaced is in shop.costing.absorption.
    """
    for line in consumption_lines("job_type", start, end):
        yield MaterialLine(
            line.group,
            line.consumable.code,
            line.jobs,
            line.actual_quantity,
            line.standard_quantity,
            line.actual_cost,
            line.variances,
        )


def consumption_lines(
    by: str, start: date | None = None, end: date | None = None
) -> Iterator[ConsumptionLine]:
    """Yield the consumables of each job type or technician that posted from `start` to `end`: four queries.

    `by` is one of CONSUMPTION_BY. Parts that wear are left out; see material_lines.
    """
    group = f"{by}__code"
    costs = posted_costs(start, end)
    rows = costs.values_list(group, "job_type__code").annotate(jobs=Sum("jobs")).order_by()
    jobs = {(name, job_type): number for name, job_type, number in rows}
    taken = _taken(costs, group)
    allowed = _allowed(jobs)
    consumables = Consumable.objects.filter(code__in={code for _, code in taken.keys() | allowed.keys()})
    by_code = {consumable.code: consumable for consumable in consumables}
    jobs_of: dict[str, int] = defaultdict(int)
    for (name, _), number in jobs.items():
        jobs_of[name] += number
    for key in sorted(taken.keys() | allowed.keys()):
        consumable = by_code[key[1]]
        quantity, cost = taken.get(key, (ZERO, ZERO))
        standard, price = allowed.get(key, ZERO), consumable.standard_cost
        yield ConsumptionLine(
            key[0],
            consumable,
            jobs_of[key[0]],
            quantity,
            standard,
            cost,
            None
            if price is None
            else material_variances(
                actual_quantity=quantity, actual_cost=cost, standard_quantity=standard, standard_price=price
            ),
        )


def _taken(costs: QuerySet[JobCost], group: str) -> dict[Pair, tuple[Decimal, Decimal]]:
    """Return the quantity and cost of each consumable that the documents of a group took."""
    moved = MovementValue.objects.filter(movement__document__in=costs.values("document")).exclude(
        movement__consumable__kind=ConsumableKind.WORN
    )
    rows = (
        moved.values_list(f"movement__document__job_cost__{group}", "movement__consumable__code")
        .annotate(quantity=net_into_jobs("movement__quantity"), cost=net_into_jobs("value"))
        .order_by()
    )
    return {(name, consumable): (quantity, cost) for name, consumable, quantity, cost in rows}


def _allowed(jobs: dict[Pair, int]) -> dict[Pair, Decimal]:
    """Return what the jobs of a group should have taken, given their number by (group, job type)."""
    uses: dict[str, list[tuple[str, Decimal]]] = defaultdict(list)
    standards = StandardUse.objects.exclude(consumable__kind=ConsumableKind.WORN)
    for job_type, consumable, quantity in standards.values_list(
        "job_type__code", "consumable__code", "quantity"
    ):
        uses[job_type].append((consumable, quantity))
    allowed: dict[Pair, Decimal] = defaultdict(Decimal)
    for (name, job_type), number in jobs.items():
        for consumable, quantity in uses[job_type]:
            allowed[name, consumable] += quantity * number
    return allowed


def labour_lines(start: date | None = None, end: date | None = None) -> Iterator[LabourLine]:
    """Yield the labour of each job type; the standard rate is the shop's own in force on each job's day.

    As everything of a period, it is what posted there: a close of a locked month that was undone later stays
    in that month and leaves the one in which its correction posts, whose minutes may then be negative.
    """
    costs = posted_costs(start, end).exclude(jobs=0)
    rates = list(LabourRate.objects.filter(technician__isnull=True).order_by("effective_from"))
    standard = dict(JobType.objects.values_list("code", "standard_minutes"))
    rows = (
        costs.annotate(rate=_number_of_rate(rates))
        .values_list("job_type__code", "rate")
        .annotate(jobs=Sum("jobs"), minutes=Sum("labour_minutes"), cost=Sum("labour"))
        .exclude(jobs=0, minutes=0, cost=0)
        .order_by("job_type__code", "rate")
    )
    for job_type, group in groupby(rows, key=itemgetter(0)):
        parts = [
            LabourLine(
                job_type,
                jobs,
                minutes,
                standard[job_type] * jobs,
                cost,
                None
                if rate == NO_RATE
                else labour_variances(
                    actual_minutes=minutes,
                    actual_cost=cost,
                    standard_minutes=standard[job_type] * jobs,
                    standard_rate_per_hour=rates[rate].per_hour,
                ),
            )
            for _, rate, jobs, minutes, cost in group
        ]
        yield reduce(add, parts)


def _number_of_rate(rates: Sequence[LabourRate]) -> Case:
    """Return which of rates, the first one first, was in force on the day of a job; NO_RATE for none."""
    latest_first = reversed(list(enumerate(rates)))
    cases = [
        When(closed_at__gte=start_of_day(rate.effective_from), then=number) for number, rate in latest_first
    ]
    return Case(*cases, default=Value(NO_RATE), output_field=IntegerField())
