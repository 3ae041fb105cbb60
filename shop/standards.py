"""Standard against actual: what jobs should have taken and cost, and what they did."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Case, F, QuerySet, Sum, When

from inventory.fields import FixedPointField
from inventory.models import ConsumableKind, MovementValue, PlaceKind
from shop.costing import rate_on
from shop.margins import posted_costs
from shop.models import JobCost, JobType, LabourRate, StandardUse
from shop.variances import LabourVariances, MaterialVariances, labour_variances, material_variances

ZERO = Decimal(0)


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
class LabourLine:
    """One job type's minutes, against the standard at the shop's own rate; None when the shop has no rate."""

    job_type: str
    jobs: int
    actual_minutes: Decimal
    standard_minutes: Decimal
    actual_cost: Decimal
    variances: LabourVariances | None


def material_lines(start: date | None = None, end: date | None = None) -> Iterator[MaterialLine]:
    """Yield the consumables of each job type that posted from `start` to `end`: four queries.

    Parts that wear are left out, as in a job's materials: their wear is charged by the minute, and what was
    replaced is in shop.absorption.
    """
    costs = posted_costs(start, end)
    jobs = _jobs_by_type(costs)
    into_job = {"movement__destination__kind": str(PlaceKind.JOB)}
    moved = MovementValue.objects.filter(movement__document__in=costs.values("document")).exclude(
        movement__consumable__kind=ConsumableKind.WORN
    )
    taken: dict[tuple[str, str], tuple[Decimal, Decimal]] = {
        (job_type, consumable): (quantity, cost)
        for job_type, consumable, quantity, cost in moved.values_list(
            "movement__document__job_cost__job_type__code", "movement__consumable__code"
        )
        .annotate(quantity=Sum(_signed("movement__quantity", into_job)), cost=Sum(_signed("value", into_job)))
        .order_by()
    }
    standards = {
        (use.job_type.code, use.consumable.code): use
        for use in StandardUse.objects.exclude(consumable__kind=ConsumableKind.WORN).select_related(
            "job_type", "consumable"
        )
        if use.job_type.code in jobs
    }
    prices = dict(
        moved.values_list("movement__consumable__code", "movement__consumable__standard_cost").distinct()
    )
    for key in sorted(taken.keys() | standards.keys()):
        job_type, consumable = key
        quantity, cost = taken.get(key, (ZERO, ZERO))
        use = standards.get(key)
        allowed = use.quantity * jobs[job_type] if use else ZERO
        price = use.consumable.standard_cost if use else prices.get(consumable)
        yield MaterialLine(
            job_type,
            consumable,
            jobs[job_type],
            quantity,
            allowed,
            cost,
            None
            if price is None
            else material_variances(
                actual_quantity=quantity, actual_cost=cost, standard_quantity=allowed, standard_price=price
            ),
        )


def labour_lines(
    start: date | None = None, end: date | None = None, *, rate_day: date
) -> Iterator[LabourLine]:
    """Yield the labour of each job type; the standard rate is the shop's own in force on `rate_day`."""
    costs = posted_costs(start, end).filter(jobs__gt=0, document__corrected_by__isnull=True)
    rate = rate_on(LabourRate.objects.filter(technician__isnull=True), rate_day)
    standard = dict(JobType.objects.values_list("code", "standard_minutes"))
    rows = (
        costs.values_list("job_type__code")
        .annotate(jobs=Sum("jobs"), minutes=Sum("job__labour_minutes"), cost=Sum("labour"))
        .order_by("job_type__code")
    )
    for job_type, jobs, minutes, cost in rows:
        allowed = standard[job_type] * jobs
        yield LabourLine(
            job_type,
            jobs,
            minutes,
            allowed,
            cost,
            None
            if rate is None
            else labour_variances(
                actual_minutes=minutes,
                actual_cost=cost,
                standard_minutes=allowed,
                standard_rate_per_hour=rate.per_hour,
            ),
        )


def _jobs_by_type(costs: QuerySet[JobCost]) -> dict[str, int]:
    rows = costs.values_list("job_type__code").annotate(jobs=Sum("jobs")).order_by()
    jobs: dict[str, int] = defaultdict(int)
    jobs.update(dict(rows))
    return jobs


def _signed(name: str, positive: dict[str, str]) -> Case:
    return Case(When(**positive, then=F(name)), default=-1 * F(name), output_field=FixedPointField())
