"""The costing of a period, a row per job, as the accountant takes it."""

from collections.abc import Iterator
from datetime import date

from django.db.models import Q, Sum

from shop.costing import JobCosts
from shop.margins import AMOUNTS, posted_costs
from shop.models import the_shop

JOB_COLUMNS = {
    "job": "job__reference",
    "closed_at": "job__closed_at",
    "van": "job__van__place__code",
    "technician": "job__technician__code",
    "job_type": "job__job_type__code",
    "damage_type": "job__damage_type__code",
    "glass": "job__glass__code",
    "outcome": "job__outcome",
    "callback_of": "job__callback_of__reference",
}
HEADER = (*JOB_COLUMNS, *AMOUNTS, "contribution", "margin")


def costing_rows(start: date, end: date) -> Iterator[list[str]]:
    """Yield a row per job with what it posted from `start` to `end`, both included, in the shop's zone.

    Ordered by closing time, then job; read as a stream. A close that came after its month was locked counts
    in the month it posted to, so that a locked month always exports the same. A close that was undone within
    the period leaves no row.
    """
    zone = the_shop().zone
    nothing = Q(counted=0, **{f"total_{name}": 0 for name in AMOUNTS})
    rows = (
        posted_costs(start, end)
        .values(*JOB_COLUMNS.values())
        .annotate(counted=Sum("jobs"), **{f"total_{name}": Sum(name) for name in AMOUNTS})
        .exclude(nothing)
        .order_by("job__closed_at", "job__reference")
        .values_list(*JOB_COLUMNS.values(), *(f"total_{name}" for name in AMOUNTS))
    )
    for job, closed_at, *facts in rows.iterator():
        texts, amounts = facts[: len(JOB_COLUMNS) - 2], facts[len(JOB_COLUMNS) - 2 :]
        costs = JobCosts(*amounts)
        moment = closed_at.astimezone(zone).isoformat() if closed_at else ""
        yield [
            job,
            moment,
            *(text or "" for text in texts),
            *(f"{amount:.4f}" for amount in (*amounts, costs.contribution, costs.margin)),
        ]
