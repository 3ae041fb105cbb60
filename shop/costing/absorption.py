"""Costs that predetermined rates charge to jobs, against actual costs; the difference is reported."""

from datetime import date
from decimal import Decimal

from django.db.models import Sum

from inventory.decimals import ZERO
from inventory.models import ConsumableKind, MovementValue
from shop.costing.formulas import Absorption
from shop.costing.net_issues import net_into_jobs
from shop.costing.posted_costs import posted_costs


def wear_absorption(start: date | None = None, end: date | None = None) -> Absorption:
    """Return the wear charged to jobs that posted from `start` to `end`, and the parts these jobs took."""
    costs = posted_costs(start, end)
    replaced = MovementValue.objects.filter(
        movement__consumable__kind=ConsumableKind.WORN,
        movement__document__in=costs.values("document"),
    ).aggregate(total=net_into_jobs("value"))["total"]
    absorbed = costs.aggregate(total=Sum("wear"))["total"]
    return Absorption(absorbed or ZERO, replaced or ZERO)


def overhead_absorption(actual: Decimal, start: date | None = None, end: date | None = None) -> Absorption:
    """Return what jobs absorbed of the overhead that was actually spent from `start` to `end`."""
    absorbed = posted_costs(start, end).aggregate(total=Sum("overhead"))["total"]
    return Absorption(absorbed or ZERO, actual)
