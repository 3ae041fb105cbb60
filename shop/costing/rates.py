"""Setting what an hour, a month and a travel minute cost from a day on; job costs follow at once."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet

from inventory.ledger.period_lock import hold_postings, open_from
from shop.common.text import exact
from shop.costing import job_costs
from shop.costing.formulas import rate_on
from shop.models import BEGINNING, LabourRate, OverheadRate, Technician

# The default of a rate that was given for the vehicle alone.
NO_CAPACITY = Decimal(1)
FIGURE_NAMES = {
    "per_hour": "labour rate",
    "monthly_overhead": "monthly overhead",
    "capacity_minutes": "capacity in minutes",
    "vehicle_per_minute": "vehicle rate",
}


def first_open_day(zone: tzinfo) -> date:
    """Return the first day that begins in the open period, BEGINNING when nothing is locked."""
    first_open = open_from()
    if first_open is None:
        return BEGINNING
    local = first_open.astimezone(zone)
    return local.date() if local.time() == time.min else local.date() + timedelta(days=1)


def labour_rate(per_hour: Decimal, day: date, technician: Technician | None) -> LabourRate:
    """Return the rate from `day` on, unsaved, of one technician or (None) of all without their own."""
    rate = LabourRate.objects.filter(technician=technician, effective_from=day).first()
    rate = rate or LabourRate(technician=technician, effective_from=day)
    rate.per_hour = per_hour
    return rate


def overhead_rate(
    day: date,
    *,
    monthly_overhead: Decimal | None = None,
    capacity_minutes: Decimal | None = None,
    vehicle_per_minute: Decimal | None = None,
) -> OverheadRate:
    """Return the rate from `day` on, unsaved; what is not given stays as it is on that day.

    Raises ValidationError for an overhead without a capacity to share it over, or the other way round.
    """
    before = rate_on(OverheadRate.objects.all(), day) or OverheadRate()
    rate = before if before.effective_from == day and before.pk else OverheadRate(effective_from=day)
    has_capacity = before.monthly_overhead or before.capacity_minutes != NO_CAPACITY
    if monthly_overhead and capacity_minutes is None and not has_capacity:
        raise ValidationError(
            {"capacity_minutes": "give the labour minutes the shop can practically do in a month as well"}
        )
    if capacity_minutes is not None and monthly_overhead is None and not before.monthly_overhead:
        raise ValidationError(
            {"monthly_overhead": "give what the shop costs in a month as well, to share over these minutes"}
        )
    for name, value in (
        ("monthly_overhead", monthly_overhead),
        ("capacity_minutes", capacity_minutes),
        ("vehicle_per_minute", vehicle_per_minute),
    ):
        setattr(rate, name, getattr(before, name) if value is None else value)
    return rate


def check_rates(rates: Sequence[LabourRate | OverheadRate], zone: tzinfo) -> None:
    """Refuse rates that could not be saved. Raises ValidationError as save_rates does."""
    first = first_open_day(zone)
    for rate in rates:
        if rate.effective_from < first:
            message = (
                f"{rate.effective_from} is locked; the first open day is {first}: "
                "let the rate start then, or reopen the books first"
            )
            raise ValidationError({"effective_from": message})
        rate.full_clean()


@transaction.atomic
def save_rates(rates: Sequence[LabourRate | OverheadRate], zone: tzinfo) -> None:
    """Store rates and compute the costs of jobs again from the day the first one starts.

    Raises ValidationError when a rate is not valid or starts in a locked period, where costs are fixed.
    """
    hold_postings()
    check_rates(rates, zone)
    for rate in rates:
        rate.save()
    if rates:
        earliest = min(rate.effective_from for rate in rates)
        job_costs.refresh_from(datetime.combine(earliest, time.min, tzinfo=zone))


def overtaken(rate: LabourRate | OverheadRate, figure: str) -> str | None:
    """Return as text from when on a figure set for a later day is in force; None when there is none."""
    rates: QuerySet[LabourRate] | QuerySet[OverheadRate] = (
        LabourRate.objects.filter(technician=rate.technician)
        if isinstance(rate, LabourRate)
        else OverheadRate.objects.all()
    )
    for later in rates.filter(effective_from__gt=rate.effective_from).order_by("effective_from"):
        value = getattr(later, figure)
        if value != getattr(rate, figure):
            what = FIGURE_NAMES[figure]
            return f"from {later.effective_from} on another {what} of {exact(value)} is in force"
    return None


def without_rate() -> list[str]:
    """Return the codes of technicians whose time costs nothing: no rate of their own, none for all."""
    if LabourRate.objects.filter(technician__isnull=True).exists():
        return []
    return list(Technician.objects.filter(rates__isnull=True).values_list("code", flat=True))
