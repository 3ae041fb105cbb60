"""Standard against actual: what jobs should have taken and cost, and what they did."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import reduce
from itertools import groupby
from operator import add, itemgetter

from django.db.models import QuerySet, Sum

from inventory.decimals import ZERO
from inventory.models import Consumable, ConsumableKind, MovementValue
from shop.costing.formulas import rate_on
from shop.costing.net_issues import net_into_jobs
from shop.costing.posted_costs import posted_costs
from shop.costing.standards import StandardsByDay
from shop.costing.variances import LabourVariances, MaterialVariances, labour_variances, material_variances
from shop.models import JobCost, JobType, LabourRate, StandardUse

CONSUMPTION_BY = ("job_type", "technician", "damage_type", "glass")
# A group's name, the id of a consumable or job type, and a stretch without a change of standards.
Part = tuple[str, int, int]


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
    """Yield the consumables of each job type that posted from `start` to `end`: seven queries.

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
    """Yield the consumables of each job type or technician that posted from `start` to `end`: seven queries.

    `by` is one of CONSUMPTION_BY. Each job is held against the standards in force on its day. Parts that wear
    are left out; see material_lines.
    """
    standards = StandardsByDay()
    group = f"{by}__code"
    costs = posted_costs(start, end)
    rows = (
        costs.annotate(stretch=standards.stretch("closed_at"))
        .values_list(group, "job_type", "stretch")
        .annotate(jobs=Sum("jobs"))
        .order_by()
    )
    jobs = {(name, job_type, stretch): number for name, job_type, stretch, number in rows}
    taken = _taken(costs, group, standards)
    allowed = _allowed(jobs, standards)
    pairs: dict[tuple[str, int], set[int]] = defaultdict(set)
    for name, pk, stretch in taken.keys() | allowed.keys():
        pairs[name, pk].add(stretch)
    consumables = Consumable.objects.in_bulk({pk for _, pk in pairs})
    jobs_of: dict[str, int] = defaultdict(int)
    for (name, *_), number in jobs.items():
        jobs_of[name] += number
    for name, pk in sorted(pairs, key=lambda pair: (pair[0], consumables[pair[1]].code)):
        consumable = consumables[pk]
        # By standard price, so that a stretch in which it stays the same rounds with those beside it.
        parts: dict[Decimal | None, MaterialTotals] = defaultdict(MaterialTotals)
        for stretch in pairs[name, pk]:
            price = standards.in_force((None, pk), stretch, consumable.standard_cost)
            parts[price] += taken.get((name, pk, stretch), MaterialTotals())
            parts[price] += MaterialTotals(standard_quantity=allowed.get((name, pk, stretch), ZERO))
        total = reduce(add, parts.values())
        yield ConsumptionLine(
            name,
            consumable,
            jobs_of[name],
            total.quantity,
            total.standard_quantity,
            total.cost,
            _material_variances(parts),
        )


@dataclass(frozen=True, slots=True)
class MaterialTotals:
    """What jobs took of one consumable, its cost, and what they should have taken."""

    quantity: Decimal = ZERO
    cost: Decimal = ZERO
    standard_quantity: Decimal = ZERO

    def __add__(self, other: "MaterialTotals") -> "MaterialTotals":
        return MaterialTotals(
            self.quantity + other.quantity,
            self.cost + other.cost,
            self.standard_quantity + other.standard_quantity,
        )


def _material_variances(parts: Mapping[Decimal | None, MaterialTotals]) -> MaterialVariances | None:
    """Return the variances of what is held against each standard price; None if a part has no price."""
    found = MaterialVariances(ZERO, ZERO)
    for price, totals in parts.items():
        if price is None:
            return None
        found += material_variances(
            actual_quantity=totals.quantity,
            actual_cost=totals.cost,
            standard_quantity=totals.standard_quantity,
            standard_price=price,
        )
    return found


def _taken(costs: QuerySet[JobCost], group: str, standards: StandardsByDay) -> dict[Part, MaterialTotals]:
    """Return the quantity and cost of each consumable that the documents of a group took, by stretch."""
    moved = MovementValue.objects.filter(movement__document__in=costs.values("document")).exclude(
        movement__consumable__kind=ConsumableKind.WORN
    )
    rows = (
        moved.annotate(stretch=standards.stretch("movement__document__job_cost__closed_at"))
        .values_list(f"movement__document__job_cost__{group}", "movement__consumable", "stretch")
        .annotate(quantity=net_into_jobs("movement__quantity"), cost=net_into_jobs("value"))
        .order_by()
    )
    return {
        (name, consumable, stretch): MaterialTotals(quantity, cost)
        for name, consumable, stretch, quantity, cost in rows
    }


def _allowed(jobs: dict[Part, int], standards: StandardsByDay) -> dict[Part, Decimal]:
    """Return by group, consumable and stretch what jobs should have taken.

    `jobs` are their numbers by group, job type and stretch.
    """
    worn = set(Consumable.objects.filter(kind=ConsumableKind.WORN).values_list("pk", flat=True))
    present = {
        (job_type, consumable): quantity
        for job_type, consumable, quantity in StandardUse.objects.values_list(
            "job_type", "consumable", "quantity"
        )
    }
    uses: dict[int, list[int]] = defaultdict(list)
    for job_type, consumable in present.keys() | standards.keys():
        if job_type is not None and consumable is not None and consumable not in worn:
            uses[job_type].append(consumable)
    allowed: dict[Part, Decimal] = defaultdict(Decimal)
    for (name, job_type, stretch), number in jobs.items():
        for consumable in uses[job_type]:
            key = (job_type, consumable)
            quantity = standards.in_force(key, stretch, present.get(key))
            if quantity is not None:
                allowed[name, consumable, stretch] += quantity * number
    return allowed


def labour_lines(start: date | None = None, end: date | None = None) -> Iterator[LabourLine]:
    """Yield the labour of each job type, against the minutes and the shop's rate in force on each job's day.

    As everything of a period, it is what posted there: a close of a locked month that was undone later stays
    in that month and leaves the one in which its correction posts, whose minutes may then be negative.
    """
    costs = posted_costs(start, end).exclude(jobs=0)
    rates = list(LabourRate.objects.filter(technician__isnull=True))
    standards = StandardsByDay(rate.effective_from for rate in rates)
    job_types = JobType.objects.in_bulk()
    rows = (
        costs.annotate(stretch=standards.stretch("closed_at"))
        .values_list("job_type__code", "job_type", "stretch")
        .annotate(jobs=Sum("jobs"), minutes=Sum("labour_minutes"), cost=Sum("labour"))
        .exclude(jobs=0, minutes=0, cost=0)
        .order_by("job_type__code", "stretch")
    )
    for code, group in groupby(rows, key=itemgetter(0)):
        # By rate, so that a stretch in which it stays the same rounds with those beside it.
        parts: dict[Decimal | None, LabourTotals] = {}
        for _, job_type, stretch, jobs, minutes, cost in group:
            present = job_types[job_type].standard_minutes
            standard = standards.in_force((job_type, None), stretch, present) or ZERO
            rate = rate_on(rates, standards.first_day(stretch))
            price = rate.per_hour if rate else None
            more = LabourTotals(jobs, minutes, standard * jobs, cost)
            parts[price] = parts[price] + more if price in parts else more
        yield reduce(add, (_labour_line(code, totals, price) for price, totals in parts.items()))


@dataclass(frozen=True, slots=True)
class LabourTotals:
    """Jobs, their minutes, the minutes of their standards, and what their labour cost."""

    jobs: int
    minutes: Decimal
    standard_minutes: Decimal
    cost: Decimal

    def __add__(self, other: "LabourTotals") -> "LabourTotals":
        return LabourTotals(
            self.jobs + other.jobs,
            self.minutes + other.minutes,
            self.standard_minutes + other.standard_minutes,
            self.cost + other.cost,
        )


def _labour_line(job_type: str, totals: LabourTotals, per_hour: Decimal | None) -> LabourLine:
    """Return a line of jobs that are held against one standard rate; None: there was none."""
    variances = None
    if per_hour is not None:
        variances = labour_variances(
            actual_minutes=totals.minutes,
            actual_cost=totals.cost,
            standard_minutes=totals.standard_minutes,
            standard_rate_per_hour=per_hour,
        )
    return LabourLine(job_type, totals.jobs, totals.minutes, totals.standard_minutes, totals.cost, variances)
