"""python manage.py demo: load the invented shop, print what it found, serve the site."""

import secrets
from argparse import ArgumentParser
from collections import defaultdict
from decimal import Decimal
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inventory.integrity.value_reconciliation import reconcile, total
from inventory.models import Consumable
from inventory.reports.stock_on_hand import low_stock, stock_at
from shop.costing.absorption import wear_absorption
from shop.management import demo_data, text_tables
from shop.management.commands.import_csv import bar
from shop.models import Person, Role, the_shop
from shop.profitability.margins import margin_report


class Command(BaseCommand):
    """Everything shown is computed from the ledger; nothing of it is stored in the files."""

    help = "Load the invented demo shop, print margins and stock, and serve it with a sign-in for each role."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the arguments."""
        parser.add_argument("--no-serve", action="store_true", help="stop after printing")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, no_serve: bool, port: int, **options: Any) -> None:
        """Load, print, serve."""
        call_command("migrate", verbosity=0)
        self.stdout.write("Loading the invented shop; this takes about a minute the first time.")
        try:
            loaded = demo_data.load(say=self.stdout.write, bar=bar)
        except demo_data.OtherShopError as other:
            raise CommandError(
                f"this database holds a shop of its own ({other}); "
                "give the demo another one, such as DATABASE_URL=sqlite:///demo.sqlite3"
            ) from other
        if loaded:
            # By name, since the shop does not know what else is built on it.
            call_command("demo_terms", stdout=self.stdout)
        else:
            self.stdout.write("It was loaded before.")
        self._show()
        if not no_serve:
            self._sign_ins(port)
            call_command("runserver", f"127.0.0.1:{port}", use_reloader=False)

    def _show(self) -> None:
        shop = the_shop()
        self.stdout.write(f"\n{shop.name}, in {shop.currency}\n")
        self.stdout.write(text_tables.margins("damage_type", margin_report("damage_type")))
        wear = wear_absorption()
        self.stdout.write(
            f"Pads and wheels: {text_tables.money(wear.absorbed)} was charged to jobs by the minute, "
            f"{text_tables.money(wear.actual)} was really replaced ({wear.word}-absorbed)."
        )
        lost = total(reconcile()).losses
        self.stdout.write(
            f"Counts found {text_tables.money(lost)} of stock missing, net of what they found.\n"
        )
        names = {c.code: f"{c.code}  {c.name} ({c.stock_unit})" for c in Consumable.objects.all()}
        self._show_stock(names)
        rows = [
            [f"{row.place}  {names[row.consumable.code]}", f"{row.held:,.0f}", f"{row.quantity:,.0f}"]
            for row in low_stock()
        ]
        self.stdout.write(
            text_tables.table("Low: at or under the level set", ("where, what", "held", "level"), rows)
        )
        self.stdout.write(
            "Go on with: python manage.py margins --by month, variances, check_ledger, "
            "export_costing --from 2026-10-01 --to 2026-10-31"
        )

    def _show_stock(self, names: dict[str, str]) -> None:
        held: dict[str, dict[str, Decimal]] = defaultdict(dict)
        worth: dict[str, Decimal] = defaultdict(Decimal)
        for row in stock_at(timezone.now()):
            held[row.consumable][row.place] = row.quantity
            worth[row.place] += row.value
        places = sorted(worth)
        rows = [
            [names[code], *(f"{at.get(place, Decimal(0)):,.0f}" for place in places)]
            for code, at in sorted(held.items())
        ]
        self.stdout.write(text_tables.table("Stock by place", ("consumable", *places), rows))
        value = ", ".join(f"{place} {text_tables.money(worth[place])}" for place in places)
        self.stdout.write(f"Value of the stock: {value}\n")

    def _sign_ins(self, port: int) -> None:
        """Give the demo people new passwords, so that none is ever shipped, and print one for each role."""
        self.stdout.write(f"Sign in at http://127.0.0.1:{port}/ as")
        for role in Role.values:
            person = Person.objects.filter(role=role, email__endswith="@example.org").order_by("pk").first()
            if person is None:
                continue
            password = secrets.token_urlsafe(8)
            person.set_password(password)
            person.save(update_fields=["password"])
            self.stdout.write(f"  {role:<12} {person.username:<8} {password}")
        self.stdout.write("Stop the server with Ctrl-C.\n")
