"""Set up the shop, and show how it is set up."""

from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import CommandError
from django.db.models import F

from inventory.ledger.period_lock import open_from
from inventory.models import Books, CostPolicy, Document
from inventory.perpetual_valuation.valuer import DEFAULT_METHOD
from inventory.valuation.cost_layers import CostFormula
from shop.accounting.period_close import locked_text
from shop.common.text import exact, shortened
from shop.costing.rates import NO_CAPACITY, without_rate
from shop.imports.csv_reader import parse_number
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import day_argument
from shop.models import BEGINNING, LabourRate, LengthUnit, OverheadRate, the_shop
from shop.setup.shop_settings import SettingChanges, set_up


def number(text: str) -> Decimal:
    """Return an amount given on the command line; ArgumentTypeError when it is none."""
    value = parse_number(text)
    if isinstance(value, str):
        raise ArgumentTypeError(f"{shortened(text)!r} {value}")
    return value


class Command(BooksCommand):
    """Change what is given, all or nothing, and print the settings that result."""

    help = "Set name, currency, time zone, cost method, target margin and rates; without options, show them."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the settings; each may be left out."""
        parser.add_argument("--name")
        parser.add_argument("--currency", metavar="CODE", help="ISO 4217, such as EUR")
        parser.add_argument("--timezone", dest="time_zone", metavar="ZONE", help="such as Europe/Lisbon")
        parser.add_argument("--cost-method", choices=[method.value for method in CostFormula])
        parser.add_argument("--target-margin", dest="target_margin_percent", type=number, metavar="PERCENT")
        parser.add_argument(
            "--length-unit", choices=LengthUnit.values, help="how lengths are shown: mm or in"
        )
        parser.add_argument(
            "--labour-rate", dest="labour_per_hour", type=number, metavar="PER_HOUR", help="loaded"
        )
        parser.add_argument(
            "--technician", metavar="CODE", help="whose labour rate; of all others when left out"
        )
        parser.add_argument("--monthly-overhead", type=number, metavar="AMOUNT")
        parser.add_argument(
            "--capacity-minutes",
            type=number,
            metavar="MINUTES",
            help="labour minutes the shop can practically do in a month",
        )
        parser.add_argument("--vehicle-rate", dest="vehicle_per_minute", type=number, metavar="PER_MINUTE")
        parser.add_argument(
            "--rates-from",
            type=day_argument,
            metavar="DATE",
            help="the day from which the given rates are in force; the first open day when left out",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Make the changes and print the settings."""
        given = {
            name: options[name] for name in SettingChanges.__dataclass_fields__ if options[name] is not None
        }
        if "cost_method" in given:
            given["cost_method"] = CostFormula(given["cost_method"])
        zone_before = the_shop().time_zone
        try:
            done = set_up(SettingChanges(**given))
        except ValidationError as error:
            raise CommandError("; ".join(_sentences(error))) from error
        for line in _settings():
            self.stdout.write(line)
        if "cost_method" in given:
            self.stdout.write(f"documents whose values changed: {len(done.revalued)}")
        for warning in done.warnings:
            self._warn(warning)
        if the_shop().time_zone != zone_before and Document.objects.exists():
            self._warn(
                "files imported before with days instead of moments now mean other moments; "
                "importing them again will be refused as other content"
            )
        if missing := without_rate():
            self._warn(
                f"{len(missing)} without a labour rate, so their time costs nothing: {', '.join(missing)}"
            )

    def _warn(self, text: str) -> None:
        self.stderr.write(self.style.WARNING(f"warning: {text}"))


def _sentences(error: ValidationError) -> Iterator[str]:
    for name, messages in error.message_dict.items():
        for message in messages:
            yield message if name == "__all__" else f"{name.replace('_', ' ')}: {message}"


def _settings() -> Iterator[str]:
    shop = the_shop()
    digits = Books.objects.get().minor_unit_digits
    yield f"name           {shop.name}"
    yield f"currency       {shop.currency}, kept to {digits} decimal places"
    yield f"time zone      {shop.time_zone}"
    yield f"target margin  {exact(shop.target_margin_percent)} %"
    yield f"length unit    {shop.get_length_unit_display()}"
    yield f"books          {locked_text(open_from(), shop.zone)}"
    policies = list(CostPolicy.objects.order_by(F("effective_from").asc(nulls_first=True)))
    if not policies or policies[0].effective_from is not None:
        policies.insert(0, CostPolicy(method=DEFAULT_METHOD))
    for policy in policies:
        since = policy.effective_from.astimezone(shop.zone).isoformat() if policy.effective_from else None
        yield f"cost method    {policy.method}{_since(since)}"
    for rate in LabourRate.objects.order_by(F("technician__code").asc(nulls_first=True), "effective_from"):
        whose = rate.technician.code if rate.technician else "all others"
        yield f"labour rate    {exact(rate.per_hour)} per hour, {whose}{_since(_day(rate.effective_from))}"
    for overhead in OverheadRate.objects.all():
        over = f" over {exact(overhead.capacity_minutes)} minutes"
        if not overhead.monthly_overhead and overhead.capacity_minutes == NO_CAPACITY:
            over = ""
        yield (
            f"overhead       {exact(overhead.monthly_overhead)} a month{over}, "
            f"vehicle {exact(overhead.vehicle_per_minute)} per minute{_since(_day(overhead.effective_from))}"
        )


def _since(moment: str | None) -> str:
    return f", from {moment}" if moment else ""


def _day(day: date) -> str | None:
    return None if day == BEGINNING else day.isoformat()
