"""The costing of a period, a row per job, as the accountant takes it."""

from collections.abc import Iterator
from datetime import date

from django.db.models import Sum

from shop.costing.formulas import AMOUNTS, JobCosts
from shop.costing.posted_costs import NOTHING, posted_costs
from shop.models import the_shop

JOB_COLUMNS = {
    "job": "job__reference",
    "closed_at": "closed_at",
    "van": "van__place__code",
    "technician": "technician__code",
    "job_type": "job_type__code",
    "damage_type": "damage_type__code",
    "glass": "glass__code",
    "outcome": "outcome",
    "callback_of": "callback_of__reference",
}
HEADER = (*JOB_COLUMNS, *AMOUNTS, "contribution", "margin")


def costing_rows(start: date, end: date) -> Iterator[list[str]]:
    """Yield a row per job with what it posted from `start` to `end`, both included, in the shop's zone.

    Ordered by closing time, then job; read as a stream. A close that came after its month was locked counts
    in the month it posted to, so that a locked month always exports the same. A close that was undone within
    the period leaves no row; one of a locked period is taken back by a row that says what it said, beside the
    row of the job's new close.
    """
    zone = the_shop().zone
    rows = (
        posted_costs(start, end)
        .values(*JOB_COLUMNS.values())
        .annotate(counted=Sum("jobs"), **{f"total_{name}": Sum(name) for name in AMOUNTS})
        .exclude(NOTHING)
        .order_by("closed_at", "job__reference")
        .values_list(*JOB_COLUMNS.values(), *(f"total_{name}" for name in AMOUNTS))
    )
    for job, closed_at, *facts in rows.iterator():
        texts, amounts = facts[: len(JOB_COLUMNS) - 2], facts[len(JOB_COLUMNS) - 2 :]
        costs = JobCosts(*amounts)
        yield [
            job,
            closed_at.astimezone(zone).isoformat(),
            *(text or "" for text in texts),
            *(f"{amount:.4f}" for amount in (*amounts, costs.contribution, costs.margin)),
        ]
