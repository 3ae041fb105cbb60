"""Check that the books are consistent, to the last digit."""

import sys
from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from django.core.management.base import CommandError
from tqdm import tqdm

from inventory.db.repeatable_read import one_snapshot
from inventory.integrity import value_reconciliation
from inventory.integrity.stock_checks import Disagreement
from inventory.integrity.value_reconciliation import Reconciliation
from inventory.models import Consumable, Document
from shop.integrity import all_checks
from shop.management.books_command import BooksCommand


class Command(BooksCommand):
    """Compare everything derived with what it is derived from; exit with 1 when anything disagrees."""

    help = "Check conservation, holdings, counts, values, documents and job costs; name every disagreement."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the reconciliation and each disagreement."""
        with one_snapshot():
            found = self._name(all_checks.damage())
            # Other checks would fail on faults as basic as these.
            stopped = "; nothing else was checked" if found else ""
            if not found:
                found = self._name(self._disagreements())
        if found:
            count = f"{found} {'disagreement' if found == 1 else 'disagreements'}"
            raise CommandError(f"{count}{stopped}", returncode=1)
        self.stdout.write("everything agrees")

    def _name(self, disagreements: Iterator[Disagreement]) -> int:
        """Print each disagreement; return how many there are."""
        found = 0
        for disagreement in disagreements:
            found += 1
            self.stdout.write(
                f"{disagreement.what}: {disagreement.where}: "
                f"stored {disagreement.stored}, expected {disagreement.expected}"
            )
        return found

    def _disagreements(self) -> Iterator[Disagreement]:
        steps = Consumable.objects.count() + Document.objects.count()
        with tqdm(total=steps, desc="checking", unit="step", file=sys.stderr, disable=None) as bar:
            yield from all_checks.disagreements(bar.update, self._show)

    def _show(self, found: dict[str, Reconciliation]) -> None:
        """Print where the value went."""
        total = value_reconciliation.total(found)
        for field in fields(total):
            sign = "  " if field.name == "receipts" else "- "
            self.stdout.write(f"{sign}{field.name.replace('_', ' '):<16}{getattr(total, field.name):>20.4f}")
        self.stdout.write(f"= {'unexplained':<16}{total.unexplained:>20.4f}")
