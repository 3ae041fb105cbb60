"""What booked jobs will take of each consumable, from what jobs of the same services took."""

import math
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db.models import Count, FloatField, QuerySet, Sum
from django.db.models.functions import Cast

from inventory.db.fixed_point import SCALE
from inventory.models import PlaceConsumable
from shop.models import Job, JobStatus, JobUse, StandardUse

# With fewer jobs than this the standard of the service says more than what they took; no source.
LEAST_JOBS = 5


@dataclass(frozen=True, slots=True)
class ExpectedUse:
    """How many booked jobs take a consumable, and the mean and standard deviation of what they take."""

    jobs: int
    mean: Decimal
    deviation: float


@dataclass(frozen=True, slots=True)
class _UsePerJob:
    mean: Decimal
    variance: float


def booked_use(
    first: date, last: date, *, since: datetime, until: datetime
) -> dict[PlaceConsumable, ExpectedUse]:
    """Return what the jobs booked from `first` to `last` are expected to take, by van and consumable.

    A service's use per job is that of its jobs closed from `since` up to `until` (each line of a job on its
    own, undone closes left out), with fewer than LEAST_JOBS of them its standard, which has no deviation.
    The deviation of several jobs is that of a sum of independent ones. Quantities are in stock units, not
    rounded. Four queries.
    """
    booked = Job.objects.filter(status=JobStatus.BOOKED, booked_for__range=(first, last))
    jobs = list(booked.order_by().values_list("van__place_id", "job_type_id").annotate(jobs=Count("pk")))
    per_job = _use_per_job({job_type for _, job_type, _ in jobs}, since, until)
    numbers: dict[PlaceConsumable, int] = defaultdict(int)
    means: dict[PlaceConsumable, Decimal] = defaultdict(Decimal)
    variances: dict[PlaceConsumable, float] = defaultdict(float)
    for place, job_type, number in jobs:
        for consumable, use in per_job[job_type].items():
            pair = place, consumable
            numbers[pair] += number
            means[pair] += number * use.mean
            variances[pair] += number * use.variance
    return {
        pair: ExpectedUse(numbers[pair], means[pair], math.sqrt(variances[pair]))
        for pair in means
        if means[pair] > 0
    }


def _use_per_job(
    job_types: Collection[int], since: datetime, until: datetime
) -> dict[int, dict[int, _UsePerJob]]:
    """Return the use per job of each service, by consumable."""
    closed = Job.objects.filter(
        job_type__in=job_types, status=JobStatus.CLOSED, closed_at__gt=since, closed_at__lte=until
    )
    numbers = dict(closed.order_by().values_list("job_type_id").annotate(jobs=Count("pk")))
    seen = {job_type for job_type, number in numbers.items() if number >= LEAST_JOBS}
    found: dict[int, dict[int, _UsePerJob]] = defaultdict(dict)
    for job_type, consumable, quantity, squares in _uses(closed):
        if job_type in seen:
            mean = quantity / numbers[job_type]
            variance = squares / SCALE**2 / numbers[job_type] - float(mean) ** 2
            found[job_type][consumable] = _UsePerJob(mean, max(variance, 0.0))
    standards = StandardUse.objects.filter(job_type__in=set(job_types) - seen)
    for job_type, consumable, quantity in standards.values_list("job_type_id", "consumable_id", "quantity"):
        found[job_type][consumable] = _UsePerJob(quantity, 0.0)
    return found


def _uses(closed: QuerySet[Job]) -> Iterable[tuple[int, int, Decimal, float]]:
    """Return (service, consumable, used, sum of squares in squared ten-thousandths) of closed jobs."""
    scaled = Cast("quantity", FloatField())
    uses = JobUse.objects.filter(job__in=closed, document__corrected_by__isnull=True).order_by()
    return uses.values_list("job__job_type_id", "consumable_id").annotate(
        used=Sum("quantity"), squares=Sum(scaled * scaled)
    )
