"""Export the costing of a period as CSV."""

from argparse import ArgumentParser
from typing import Any

from shop.costing.costing_rows import HEADER, costing_rows
from shop.exports.csv_writer import write_rows
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import check_period, day_argument


class Command(BooksCommand):
    """Write a row per job with revenue, costs and margin."""

    help = "Export the costing of a period as CSV, a row per job."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the period and the file."""
        parser.add_argument("--from", dest="start", required=True, type=day_argument, metavar="DATE")
        parser.add_argument("--to", dest="end", required=True, type=day_argument, metavar="DATE")
        parser.add_argument("--out", metavar="FILE", help="the file to write; standard output when left out")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write the rows."""
        check_period(options["start"], options["end"])
        write_rows(options["out"], HEADER, costing_rows(options["start"], options["end"]), self.stdout)
