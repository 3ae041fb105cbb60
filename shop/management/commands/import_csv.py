"""python manage.py import_csv KIND FILE: take in a CSV file, all of it or nothing."""

import sys
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError
from django.db import IntegrityError
from tqdm import tqdm

from inventory.ledger import Refused
from shop.common.progress import Progress
from shop.common.text import counted
from shop.imports.context import Rejected
from shop.imports.csv_reader import MOST_NAMED
from shop.imports.run import IMPORTERS, import_file
from shop.management.books_command import BooksCommand


@contextmanager
def bar(title: str, total: int) -> Iterator[Progress]:
    """Show a progress bar on a terminal."""
    with tqdm(total=total, desc=title, unit_scale=True, disable=None, file=sys.stderr, leave=False) as shown:
        yield shown.update


class Command(BooksCommand):
    """Bad rows are named with their line, column, value and what was expected; then nothing is written."""

    help = (
        "Take in a CSV file (RFC 4180, UTF-8, ISO 8601 dates, decimal point): all of it, or nothing with "
        f"the first {MOST_NAMED} faults named. Taking in the same file again changes nothing."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the arguments."""
        parser.add_argument("kind", choices=sorted(IMPORTERS))
        parser.add_argument("file", type=Path)
        parser.add_argument("--dry-run", action="store_true", help="say what would happen and write nothing")
        parser.add_argument(
            "--create-missing",
            action="store_true",
            help="create unknown vans, places, technicians, suppliers, job types, damage and glass types; "
            "let uses wait whose job is not there yet",
        )

    def handle(
        self, *args: Any, kind: str, file: Path, dry_run: bool, create_missing: bool, **options: Any
    ) -> None:
        """Import the file and say what was done."""
        try:
            summary = import_file(kind, file, create_missing=create_missing, dry_run=dry_run, bar=bar)
        except Rejected as rejected:
            for line in rejected.lines:
                self.stderr.write(f"{file}: {line}")
            faults = counted(rejected.count, "fault")
            raise CommandError(f"{file}: {faults}; nothing was written") from None
        except OSError as error:
            raise CommandError(f"cannot read {file}: {error.strerror or error}") from error
        except Refused as refused:
            # What was checked before has changed since: another process wrote in between.
            more = len(refused.problems) - MOST_NAMED
            first = f"{Refused(refused.problems[:MOST_NAMED])}{f'; and {more:,} more' if more > 0 else ''}"
            raise CommandError(f"{file}: {first}; nothing was written, run it again") from refused
        except IntegrityError as error:
            raise CommandError(
                f"another import wrote the same at the same time; run it again ({error})"
            ) from error
        if dry_run:
            self.stdout.write("Dry run, nothing was written. It would have been:")
        for line in summary.lines():
            self.stdout.write(line)
