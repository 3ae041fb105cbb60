"""Past jobs as estimates read them: a bounded number of the latest, and what each of them took.

Callbacks are left out: they repeat work that was paid for before, and are smaller.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal

from inventory.models import Consumable, ConsumableKind
from shop.estimating.prediction_intervals import LATEST_JOBS, PastJob
from shop.models import Job, JobStatus, JobUse


@dataclass(slots=True)
class Took:
    """What one job took, in stock units: discs by grade, the rest by consumable; and minutes on each.

    `minutes` are those on a grade; `worn_minutes` those that wore a long-lived part, by consumable.
    """

    discs: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    minutes: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    others: dict[int, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    worn_minutes: dict[int, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    quantities: dict[int, Decimal] = field(default_factory=lambda: defaultdict(Decimal))

    def add(self, consumable: Consumable, quantity: Decimal, minutes: Decimal) -> None:
        """Add a use. Whole parts that wear are left out: their wear is charged by the minute."""
        if consumable.kind == ConsumableKind.WORN:
            self.worn_minutes[consumable.pk] += minutes
            return
        self.quantities[consumable.pk] += quantity
        if consumable.grade:
            self.discs[consumable.grade] += quantity
            self.minutes[consumable.grade] += minutes
        else:
            self.others[consumable.pk] += quantity


def latest_jobs(damage_type: str = "") -> list[PastJob]:
    """Return the latest closed jobs, of one damage type when given, the latest first. One query."""
    jobs = Job.objects.filter(status=JobStatus.CLOSED, callback_of__isnull=True)
    if damage_type:
        jobs = jobs.filter(damage_type__code=damage_type)
    rows = jobs.order_by("-closed_at", "-pk").values_list(
        *("pk", "damage_type__code", "job_type__code", "glass__code", "catches_fingernail", "length_mm"),
        *("outcome", "technician__code", "labour_minutes"),
    )
    return [PastJob(*row) for row in rows[:LATEST_JOBS]]


def taken_by(jobs: Iterable[PastJob]) -> tuple[dict[int, Took], dict[int, Consumable]]:
    """Return what each job took, by its key, and the consumables by theirs. Two queries.

    As logged, closes that were undone left out.
    """
    keys = [job.key for job in jobs]
    rows = list(
        JobUse.objects.filter(job__in=keys, document__corrected_by__isnull=True)
        .order_by()
        .values_list("job_id", "consumable_id", "quantity", "minutes")
    )
    consumables = Consumable.objects.in_bulk({consumable for _, consumable, _, _ in rows})
    took = {key: Took() for key in keys}
    for job, consumable, quantity, minutes in rows:
        took[job].add(consumables[consumable], quantity, minutes)
    return took, consumables
