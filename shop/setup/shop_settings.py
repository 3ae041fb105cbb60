"""Changing how the shop is set up: name, currency, zone, target, cost method and rates, all or nothing."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.items.iso_4217 import currency_problem, minor_unit_digits
from inventory.ledger.cost_formula_change import change_method
from inventory.ledger.period_lock import hold_postings, open_from
from inventory.models import Document
from inventory.reports.expiring_stock import redate_lots
from inventory.valuation.cost_layers import CostFormula
from shop.costing import job_costs
from shop.costing.rates import check_rates, first_open_day, labour_rate, overhead_rate, overtaken, save_rates
from shop.models import BEGINNING, LabourRate, OverheadRate, Shop, Technician, the_shop

OVERHEAD_FIGURES = ("monthly_overhead", "capacity_minutes", "vehicle_per_minute")


@dataclass(frozen=True, slots=True)
class SettingChanges:
    """What to change; None leaves it as it is. Rates start on `rates_from`, else on the first open day."""

    name: str | None = None
    currency: str | None = None
    time_zone: str | None = None
    target_margin_percent: Decimal | None = None
    length_unit: str | None = None
    cost_method: CostFormula | None = None
    labour_per_hour: Decimal | None = None
    technician: str | None = None
    monthly_overhead: Decimal | None = None
    capacity_minutes: Decimal | None = None
    vehicle_per_minute: Decimal | None = None
    rates_from: date | None = None


@dataclass(frozen=True, slots=True)
class SettingsChanged:
    """The result of changes: documents that another cost method revalued, and warnings."""

    revalued: frozenset[int]
    warnings: tuple[str, ...]


def check(changes: SettingChanges) -> None:
    """Refuse changes that could not be made. Raises ValidationError as set_up does."""
    shop = _shop(changes)
    check_rates(_rates(changes, shop), shop.zone)


@transaction.atomic
def set_up(changes: SettingChanges) -> SettingsChanged:
    """Make the changes; return their result.

    Raises ValidationError when one of them is not valid; then none is made.
    """
    hold_postings()
    shop = _shop(changes)
    rates = _rates(changes, shop)
    zone_before = the_shop().time_zone
    shop.books.save()
    shop.save()
    save_rates(rates, shop.zone)
    if shop.time_zone != zone_before:
        # Which rate was in force, and when a lot expires, depends on the day, and the day on the zone.
        redate_lots(shop.books)
        job_costs.refresh_from(datetime.combine(BEGINNING, time.min, tzinfo=UTC))
    revalued = change_method(changes.cost_method) if changes.cost_method else set()
    return SettingsChanged(frozenset(revalued), tuple(_warnings(changes, rates)))


def _warnings(changes: SettingChanges, rates: list[LabourRate | OverheadRate]) -> Iterator[str]:
    """Yield which of the given figures are replaced on a later day."""
    for rate in rates:
        figures = ["per_hour"] if isinstance(rate, LabourRate) else OVERHEAD_FIGURES
        for figure in figures:
            given = figure == "per_hour" or getattr(changes, figure) is not None
            if given and (text := overtaken(rate, figure)):
                yield text


def _shop(changes: SettingChanges) -> Shop:
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
    for name in ("name", "currency", "target_margin_percent", "length_unit"):
        value = getattr(changes, name)
        if value is not None:
            setattr(shop, name, value)
    shop.full_clean()
    if changes.currency is not None and (found := currency_problem(changes.currency)):
        raise ValidationError({"currency": found})
    shop.books.minor_unit_digits = minor_unit_digits(shop.currency)
    shop.books.time_zone = shop.time_zone if changes.time_zone is None else changes.time_zone
    shop.books.full_clean()
    return shop


def _rates(changes: SettingChanges, shop: Shop) -> list[LabourRate | OverheadRate]:
    day = changes.rates_from or first_open_day(shop.zone)
    overheads = [getattr(changes, figure) for figure in OVERHEAD_FIGURES]
    rates: list[LabourRate | OverheadRate] = []
    if changes.labour_per_hour is not None:
        rates.append(labour_rate(changes.labour_per_hour, day, _technician(changes.technician)))
    elif changes.technician is not None:
        raise ValidationError({"technician": "goes with a labour rate; give that too"})
    if any(value is not None for value in overheads):
        rates.append(
            overhead_rate(
                day,
                monthly_overhead=changes.monthly_overhead,
                capacity_minutes=changes.capacity_minutes,
                vehicle_per_minute=changes.vehicle_per_minute,
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
