"""Loads the invented demo shop the same way as real data."""

import json
from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from django.contrib.auth.hashers import make_password
from django.db import transaction
from django.utils import timezone

from inventory.models import Consumable, Document, LowLevel, Pack, Place, PlaceKind, Supplier
from inventory.valuation.cost_layers import CostFormula
from shop.common.progress import Bar, no_bar
from shop.costing.rates import labour_rate, overhead_rate, save_rates
from shop.imports.run import IMPORTERS, import_file
from shop.models import (
    Customer,
    DamageType,
    GlassType,
    Job,
    JobStatus,
    JobType,
    Person,
    Role,
    Site,
    StandardUse,
    Technician,
    Van,
    the_shop,
)
from shop.setup.shop_settings import SettingChanges, set_up

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
SAY_NOTHING: Callable[[str], object] = lambda _: None  # noqa: E731 - a default argument with a type


class OtherShopError(Exception):
    """The database holds a shop of its own."""


def load(*, say: Callable[[str], object] = SAY_NOTHING, bar: Bar = no_bar) -> bool:
    """Load the demo shop into an empty database; return False when it is there already.

    All or nothing. Raises OtherShopError when the database holds anything else.
    """
    facts = json.loads((FOLDER / "shop.json").read_text(encoding="utf-8"))
    name = facts["shop"]["name"]
    if Document.objects.exists():
        if the_shop().name != name:
            raise OtherShopError(the_shop().name)
        return False
    with transaction.atomic():
        _set_up(facts)
        import_file("consumables", FOLDER / "consumables.csv", bar=bar)
        _people(facts)
        _services(facts)
        _stock_keeping(facts)
        for kind in list(IMPORTERS)[1:]:
            summary = import_file(kind, FOLDER / f"{kind}.csv", by="demo", bar=bar)
            say(summary.lines()[0])
        _customers_and_bookings(facts)
    return True


def _set_up(facts: dict[str, Any]) -> None:
    shop = facts["shop"]
    set_up(
        SettingChanges(
            name=shop["name"],
            currency=shop["currency"],
            time_zone=shop["time_zone"],
            cost_method=CostFormula(shop["cost_method"]),
            target_margin_percent=Decimal(shop["target_margin_percent"]),
        )
    )
    Place.objects.create(code="DEPOT", name="Depot", kind=PlaceKind.DEPOT)
    Supplier.objects.bulk_create(Supplier(**supplier) for supplier in facts["suppliers"])


def _people(facts: dict[str, Any]) -> None:
    technicians = {}
    for technician in facts["technicians"]:
        place = Place.objects.create(code=technician["van"], kind=PlaceKind.VAN)
        technicians[technician["code"]] = Technician.objects.create(
            code=technician["code"], name=technician["name"], van=Van.objects.create(place=place)
        )
    for person in facts["people"]:
        first, _, last = person["name"].partition(" ")
        made = Person.objects.create(
            username=person["username"],
            first_name=first,
            last_name=last,
            email=f"{person['username']}@example.org",
            role=person["role"],
            is_staff=person["role"] == Role.OWNER,
            is_superuser=person["role"] == Role.OWNER,
            password=make_password(None),
        )
        if technician := technicians.get(person["technician"]):
            technician.person = made
            technician.save()
    labour = [
        labour_rate(Decimal(per_hour), date.fromisoformat(day), technicians.get(code))
        for code, day, per_hour in facts["labour_rates"]
    ]
    save_rates(labour, the_shop().zone)
    for day, monthly, capacity, vehicle in facts["overhead_rates"]:
        rate = overhead_rate(
            date.fromisoformat(day),
            monthly_overhead=Decimal(monthly),
            capacity_minutes=Decimal(capacity),
            vehicle_per_minute=Decimal(vehicle),
        )
        save_rates([rate], the_shop().zone)


def _services(facts: dict[str, Any]) -> None:
    consumables = {consumable.code: consumable for consumable in Consumable.objects.all()}
    for service in facts["job_types"]:
        job_type = JobType.objects.create(
            code=service["code"],
            name=service["name"],
            list_price=Decimal(service["list_price"]),
            standard_minutes=Decimal(service["standard_minutes"]),
        )
        StandardUse.objects.bulk_create(
            StandardUse(
                job_type=job_type,
                consumable=consumables[use["consumable"]],
                quantity=Decimal(use["quantity"]),
                minutes=Decimal(use["minutes"]),
                finishing=use["finishing"],
            )
            for use in service["uses"]
        )


def _stock_keeping(facts: dict[str, Any]) -> None:
    consumables = {consumable.code: consumable for consumable in Consumable.objects.all()}
    for code, cost in facts["standard_costs"].items():
        consumables[code].standard_cost = Decimal(cost)
    Consumable.objects.bulk_update(consumables.values(), ["standard_cost"])
    suppliers = {supplier.code: supplier for supplier in Supplier.objects.all()}
    Pack.objects.bulk_create(
        Pack(
            supplier=suppliers[supplier], consumable=consumables[code], name=name, stock_units=Decimal(units)
        )
        for supplier, code, name, units in facts["packs"]
    )
    places = {place.code: place for place in Place.objects.all()}
    LowLevel.objects.bulk_create(
        LowLevel(place=places[place], consumable=consumables[code], quantity=Decimal(level))
        for place, code, level in facts["low_levels"]
    )


def _customers_and_bookings(facts: dict[str, Any]) -> None:
    """Give the jobs customers in turn, and book some for the days to come."""
    sites = []
    for customer in facts["customers"]:
        made = Customer.objects.create(code=customer["code"], name=customer["name"])
        sites += [Site.objects.create(customer=made, name=site) for site in customer["sites"]]
    jobs = list(Job.objects.order_by("reference").only("pk", "callback_of"))
    site_of: dict[int, Site] = {}
    for number, job in enumerate(jobs):
        # A callback is at the place of the job it repeats.
        again = site_of.get(job.callback_of_id) if job.callback_of_id else None
        job.site = site_of[job.pk] = again or sites[number % len(sites)]
    Job.objects.bulk_update(jobs, ["site"], batch_size=500)
    services = {service["code"]: service for service in facts["job_types"]}
    later = until_ahead([date.fromisoformat(day) for *_, day in facts["bookings"]], timezone.localdate())
    for number, (reference, van, code, day) in enumerate(facts["bookings"]):
        service = services[code]
        Job.objects.create(
            reference=reference,
            status=JobStatus.BOOKED,
            site=sites[number % len(sites)],
            van=Van.objects.get(place__code=van),
            technician=Technician.objects.get(van__place__code=van),
            job_type=JobType.objects.get(code=code),
            damage_type=DamageType.objects.get(code=service["damage_type"]),
            glass=GlassType.objects.get(code=service["glass"]),
            price=Decimal(service["list_price"]),
            booked_for=date.fromisoformat(day) + later,
        )


def until_ahead(days: list[date], today: date) -> timedelta:
    """Return by how much to move days, so that none is past and phones have jobs to close at once."""
    return max(timedelta(0), today - min(days))
