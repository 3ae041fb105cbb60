"""Check that the books agree with themselves, to the last digit."""

import sys
from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from tqdm import tqdm

from inventory import reconciliation
from inventory.checking import Disagreement, stock_disagreements
from inventory.document_checking import document_disagreements
from inventory.models import Consumable, Document
from inventory.snapshot import one_snapshot
from shop import job_cost_checking


class Command(BaseCommand):
    """Compare everything derived with what it is derived from; exit with 1 when anything disagrees."""

    help = "Check conservation, holdings, counts, values, documents and job costs; name every disagreement."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the reconciliation and each disagreement."""
        found = 0
        with one_snapshot():
            self._print_reconciliation(reconciliation.total(reconciliation.reconcile()))
            for disagreement in self._disagreements():
                found += 1
                self.stdout.write(
                    f"{disagreement.what}: {disagreement.where}: "
                    f"stored {disagreement.stored}, expected {disagreement.expected}"
                )
        if found:
            raise CommandError(f"{found} {'disagreement' if found == 1 else 'disagreements'}", returncode=1)
        self.stdout.write("everything agrees")

    def _print_reconciliation(self, total: reconciliation.Reconciliation) -> None:
        for field in fields(total):
            sign = "  " if field.name == "receipts" else "- "
            self.stdout.write(f"{sign}{field.name.replace('_', ' '):<16}{getattr(total, field.name):>20.4f}")
        self.stdout.write(f"= {'unexplained':<16}{total.unexplained:>20.4f}")

    def _disagreements(self) -> Iterator[Disagreement]:
        steps = Consumable.objects.count() + Document.objects.count()
        with tqdm(total=steps, desc="checking", unit="step", file=sys.stderr, disable=None) as bar:
            yield from reconciliation.disagreements(reconciliation.reconcile())
            yield from stock_disagreements(bar.update)
            yield from document_disagreements(bar.update)
            yield from job_cost_checking.disagreements()
