"""Job costs of a period, as they were posted."""

from datetime import date, timedelta

from django.db.models import Q, QuerySet

from shop.costing.formulas import AMOUNTS
from shop.models import JobCost, start_of_day

# What was posted and undone within the period: no trace of it is shown.
NOTHING = Q(counted=0, **{f"total_{name}": 0 for name in AMOUNTS})


def posted_costs(start: date | None, end: date | None) -> QuerySet[JobCost]:
    """Return the costs posted from the first to the last of two days, both included, in the shop's zone."""
    costs = JobCost.objects.all()
    if start is not None:
        costs = costs.filter(posted_at__gte=start_of_day(start))
    if end is not None:
        costs = costs.filter(posted_at__lt=start_of_day(end + timedelta(days=1)))
    return costs
