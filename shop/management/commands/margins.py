"""Print the margin of groups of jobs."""

from argparse import ArgumentParser
from typing import Any

from shop.costing.absorption import wear_absorption
from shop.management import text_tables
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import check_period, day_argument
from shop.profitability.margins import GROUPINGS, margin_report


class Command(BooksCommand):
    """Print margins by damage type, month, van or another grouping."""

    help = "Print the margin of groups of jobs, with a 95% interval and the number of jobs."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the grouping and the period."""
        parser.add_argument("--by", choices=GROUPINGS, default="damage_type")
        parser.add_argument("--from", dest="start", type=day_argument, metavar="DATE")
        parser.add_argument("--to", dest="end", type=day_argument, metavar="DATE")
        parser.add_argument(
            "--lifetime", action="store_true", help="count callbacks against the job they repeat"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the table."""
        start, end = options["start"], options["end"]
        check_period(start, end)
        groups = margin_report(options["by"], start, end, lifetime=options["lifetime"])
        self.stdout.write(text_tables.margins(options["by"], groups))
        self.stdout.write(f"Wear of long-lived parts: {wear_absorption(start, end)}.")
