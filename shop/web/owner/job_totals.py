"""Revenue and costs of each job of a group in a period, filtered, sorted and paginated by the database."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, ExpressionWrapper, F, Max, QuerySet, Sum

from inventory.db.fixed_point import FixedPointField
from inventory.decimals import ZERO
from shop.costing.formulas import AMOUNTS, JobCosts
from shop.costing.posted_costs import NOTHING
from shop.models import Job, JobCost

# Rows of values by name; no model describes them.
JobRows = QuerySet[Any, Any]
COSTS = F("total_materials") + F("total_wear") + F("total_labour") + F("total_travel") + F("total_overhead")
SORTS = {
    "-closed": "Latest first",
    "closed": "Earliest first",
    "margin": "Lowest margin",
    "-margin": "Highest margin",
    "-revenue": "Most revenue",
    "-costs": "Highest costs",
    "reference": "Reference",
}


@dataclass(frozen=True, slots=True)
class JobSum:
    """A job as it is now, what it posted in the period, and when."""

    job: Job
    posted_at: datetime
    costs: JobCosts


def jobs_with_costs(
    costs: QuerySet[JobCost], *, reference: str = "", losing: bool = False, sort: str = "-closed"
) -> JobRows:
    """Return a row per job with the sums of `costs`, in order; what was posted and undone leaves none."""
    if reference:
        costs = costs.filter(job__reference__icontains=reference)
    rows = (
        costs.order_by()
        .values("job_id")
        .annotate(
            counted=Sum("jobs"),
            closed=Max("closed_at"),
            reference=Max("job__reference"),
            posted=Max("posted_at"),
            **{f"total_{name}": Sum(name) for name in AMOUNTS},
        )
        .exclude(NOTHING)
        .annotate(costs=_exact(COSTS), margin=_exact(F("total_revenue") - COSTS))
    )
    if losing:
        rows = rows.filter(margin__lt=ZERO)
    name = sort.removeprefix("-")
    column = {"revenue": "total_revenue"}.get(name, name)
    return rows.order_by(f"-{column}" if sort.startswith("-") else column, "job_id")


def sums_of(rows: Sequence[dict[str, Any]]) -> list[JobSum]:
    """Return rows of jobs_with_costs with their jobs: one query."""
    jobs = Job.objects.select_related(
        "technician", "van__place", "job_type", "damage_type", "glass", "callback_of"
    ).in_bulk([row["job_id"] for row in rows])
    return [
        JobSum(jobs[row["job_id"]], row["posted"], JobCosts(*(row[f"total_{name}"] for name in AMOUNTS)))
        for row in rows
    ]


def total_of(rows: JobRows) -> tuple[int, JobCosts]:
    """Return the number of jobs that jobs_with_costs found and their sums: one query."""
    found = rows.order_by().aggregate(
        found=Count("job_id"), **{f"all_{name}": Sum(f"total_{name}") for name in AMOUNTS}
    )
    return found["found"], JobCosts(*(found[f"all_{name}"] or ZERO for name in AMOUNTS))


def _exact(expression: Any) -> Any:
    return ExpressionWrapper(expression, output_field=FixedPointField())
