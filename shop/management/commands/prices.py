"""Export the price of finished jobs that reaches the target margin as CSV."""

from argparse import ArgumentParser
from typing import Any

from shop.exports.csv_writer import write_rows
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import check_period, day_argument
from shop.profitability.margins import GROUPINGS
from shop.profitability.price_report import HEADER, price_rows


class Command(BooksCommand):
    """Write a row per group of jobs with its mean price and the prices that would do."""

    help = (
        "Export what finished jobs were paid, and the price at which nothing is lost or the target margin is "
        "reached, with a 95% interval, as CSV: a row per group of jobs."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the grouping, the period and the file."""
        parser.add_argument("--by", choices=GROUPINGS, default="damage_type")
        parser.add_argument("--from", dest="start", type=day_argument, metavar="DATE")
        parser.add_argument("--to", dest="end", type=day_argument, metavar="DATE")
        parser.add_argument("--out", metavar="FILE", help="the file to write; standard output when left out")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write the rows."""
        check_period(options["start"], options["end"])
        rows = price_rows(options["by"], options["start"], options["end"])
        write_rows(options["out"], HEADER, rows, self.stdout)
