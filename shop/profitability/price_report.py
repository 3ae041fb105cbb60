"""The price of finished jobs of each group, from what jobs earned and cost: a few queries for any history."""

from collections.abc import Iterator
from datetime import date
from typing import Any

from django.db.models import F, Q, Sum
from django.db.models.functions import Coalesce

from inventory.decimals import ZERO
from inventory.models import Books
from shop.close_review.rules import FINISHED_OUTCOMES
from shop.costing.formulas import AMOUNTS, JobCosts
from shop.costing.posted_costs import NOTHING, posted_costs
from shop.models import the_shop
from shop.profitability.finished_price import FinishedPrice, JobSums, finished_price
from shop.profitability.margins import GROUPINGS, group_label, label_text, unit_to_resample

FINISHED = Q(callback_of=None, outcome__in=FINISHED_OUTCOMES)
FAILED = ~Q(outcome__in=FINISHED_OUTCOMES)
HEADER = (
    *("group", "jobs", "finished", "failed_share", "price_now", "price_no_loss"),
    *("price_for_target", "price_low", "price_high"),
)


def price_report(
    by: str, start: date | None = None, end: date | None = None, *, lifetime: bool = False
) -> dict[str, FinishedPrice]:
    """Return the price of finished jobs of each group that posted from `start` to `end`, by label.

    `by` is one of GROUPINGS; the target is the shop's. With `lifetime`, callbacks are carried by the group of
    the job they repeat. The interval resamples as that of margins does. Raises ValueError for an unknown
    grouping.
    """
    if by not in GROUPINGS:
        raise ValueError(f"{by!r} is not one of {', '.join(GROUPINGS)}")
    target, minor_unit = the_shop().target_margin_percent, Books.objects.get().minor_unit
    groups: dict[Any, list[JobSums]] = {}
    for label, sums in _job_sums(by, start, end, lifetime=lifetime):
        groups.setdefault(label, []).append(sums)
    return {label_text(label): finished_price(parts, target, minor_unit) for label, parts in groups.items()}


def price_rows(by: str, start: date | None = None, end: date | None = None) -> Iterator[tuple[object, ...]]:
    """Yield a row of HEADER for each group, prices in the shop's currency. See price_report."""
    for label, found in price_report(by, start, end).items():
        share = found.failed_share
        yield (
            *(label, found.jobs, found.finished, None if share is None else f"{share:.4f}"),
            *(found.now, found.no_loss, found.for_target, found.low, found.high),
        )


def _job_sums(
    by: str, start: date | None, end: date | None, *, lifetime: bool
) -> Iterator[tuple[Any, JobSums]]:
    costs = posted_costs(start, end)
    rows = (
        costs.annotate(label=group_label(by, lifetime=lifetime), unit=unit_to_resample(costs))
        .values("label", "unit")
        .annotate(
            counted=Sum("jobs"),
            finished=Coalesce(Sum("jobs", filter=FINISHED), 0),
            failed=Coalesce(Sum("jobs", filter=FAILED), 0),
            finished_revenue=Sum("revenue", filter=FINISHED),
            **{f"total_{name}": Sum(name) for name in AMOUNTS},
        )
        .exclude(NOTHING)
        .order_by(F("label").asc(nulls_first=True), "unit")
        .values_list(
            *("label", "counted", "finished", "failed", "finished_revenue"),
            *(f"total_{name}" for name in AMOUNTS),
        )
    )
    for label, jobs, finished, failed, finished_revenue, *amounts in rows.iterator():
        found = JobCosts(*amounts)
        earned = finished_revenue or ZERO
        costs_of_all = found.revenue - found.margin
        yield label, JobSums(jobs, finished, failed, earned, found.revenue - earned, costs_of_all)
