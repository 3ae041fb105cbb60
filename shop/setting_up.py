"""Changing how the shop is set up: name, currency, zone, target, cost method and rates, all or nothing."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.cost_method import change_method
from inventory.currencies import minor_unit_digits
from inventory.models import Books, Document
from inventory.periods import hold_postings, open_from
from inventory.valuation import Method
from shop import job_costs
from shop.models import BEGINNING, LabourRate, OverheadRate, Shop, Technician, the_shop
from shop.rates import first_open_day, labour_rate, overhead_rate, save_rates


@dataclass(frozen=True, slots=True)
class Changes:
    """What to change; None leaves it as it is. Rates start on `rates_from`, else on the first open day."""

    name: str | None = None
    currency: str | None = None
    time_zone: str | None = None
    target_margin_percent: Decimal | None = None
    cost_method: Method | None = None
    labour_per_hour: Decimal | None = None
    technician: str | None = None
    monthly_overhead: Decimal | None = None
    capacity_minutes: Decimal | None = None
    vehicle_per_minute: Decimal | None = None
    rates_from: date | None = None


@transaction.atomic
def set_up(changes: Changes) -> set[int]:
    """Make the changes; return the documents whose values another cost method changed.

    Raises ValidationError when one of them is not valid; then none is made.
    """
    hold_postings()
    shop = _shop(changes)
    rates = _rates(changes, shop)
    zone_before = the_shop().time_zone
    shop.save()
    Books.objects.update(minor_unit_digits=minor_unit_digits(shop.currency))
    save_rates(rates, shop.zone)
    if shop.time_zone != zone_before:
        # Which rate was in force depends on the day, and the day on the zone.
        job_costs.refresh_from(datetime.combine(BEGINNING, time.min, tzinfo=UTC))
    return change_method(changes.cost_method) if changes.cost_method else set()


def _shop(changes: Changes) -> Shop:
    shop = the_shop()
    if changes.currency not in {None, shop.currency} and Document.objects.exists():
        raise ValidationError(
            {
                "currency": f"stays {shop.currency} once documents are posted: "
                "their amounts would mean something else; start a deployment of its own"
            }
        )
    if changes.time_zone not in {None, shop.time_zone} and open_from() is not None:
        message = f"stays {shop.time_zone} while a period is locked: its last day would end elsewhere"
        raise ValidationError({"time_zone": message})
    for name in ("name", "currency", "time_zone", "target_margin_percent"):
        value = getattr(changes, name)
        if value is not None:
            setattr(shop, name, value)
    shop.full_clean()
    return shop


def _rates(changes: Changes, shop: Shop) -> list[LabourRate | OverheadRate]:
    day = changes.rates_from or first_open_day(shop.zone)
    overheads = (changes.monthly_overhead, changes.capacity_minutes, changes.vehicle_per_minute)
    rates: list[LabourRate | OverheadRate] = []
    if changes.labour_per_hour is not None:
        rates.append(labour_rate(changes.labour_per_hour, day, _technician(changes.technician)))
    elif changes.technician is not None:
        raise ValidationError({"technician": "goes with a labour rate; give that too"})
    if any(value is not None for value in overheads):
        monthly_overhead, capacity_minutes, vehicle_per_minute = overheads
        rates.append(
            overhead_rate(
                day,
                monthly_overhead=monthly_overhead,
                capacity_minutes=capacity_minutes,
                vehicle_per_minute=vehicle_per_minute,
            )
        )
    if changes.rates_from and not rates:
        raise ValidationError({"rates_from": "goes with a rate; give that too"})
    return rates


def _technician(code: str | None) -> Technician | None:
    if code is None:
        return None
    technician = Technician.objects.filter(code=code).first()
    if technician is None:
        raise ValidationError({"technician": f"{code!r} is not a known technician"})
    return technician
