"""Print standard against actual."""

from argparse import ArgumentParser
from typing import Any

from shop.costing.standard_costs import labour_lines, material_lines
from shop.management import text_tables
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import check_period, day_argument


class Command(BooksCommand):
    """Print the variances of materials and labour by job type."""

    help = "Print price and quantity variances of materials, rate and efficiency variances of labour."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the period."""
        parser.add_argument("--from", dest="start", type=day_argument, metavar="DATE")
        parser.add_argument("--to", dest="end", type=day_argument, metavar="DATE")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print both tables."""
        start, end = options["start"], options["end"]
        check_period(start, end)
        self.stdout.write(text_tables.materials(list(material_lines(start, end))))
        self.stdout.write(text_tables.labour(list(labour_lines(start, end))))
