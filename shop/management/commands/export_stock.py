"""Export the stock at the end of a day as CSV."""

from argparse import ArgumentParser
from datetime import date, datetime, timedelta
from typing import Any

from inventory.db.repeatable_read import one_snapshot
from inventory.reports.stock_on_hand import stock_at
from shop.exports.csv_writer import write_rows
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import day_argument
from shop.models import start_of_day

HEADER = ("place", "consumable", "quantity", "value")


class Command(BooksCommand):
    """Write a row per place and consumable with quantity and value."""

    help = "Export what each place held at the end of a day, with its value, as CSV."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the day and the file."""
        parser.add_argument("--at", required=True, type=day_argument, metavar="DATE")
        parser.add_argument("--out", metavar="FILE", help="the file to write; standard output when left out")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write the rows."""
        day: date = options["at"]
        last_moment = start_of_day(day + timedelta(days=1)) - datetime.resolution
        with one_snapshot():
            rows = (
                (row.place, row.consumable, row.quantity.normalize(), f"{row.value:.4f}")
                for row in stock_at(last_moment)
            )
            write_rows(options["out"], HEADER, rows, self.stdout)
