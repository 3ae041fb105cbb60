"""Lock the books through a day, reopen them, or say how far they are locked."""

from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from inventory.models import PeriodChange
from shop.accounting.period_close import LockError, check_reopening, lock_through, locked_text, reopen_from
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import day_argument
from shop.models import the_shop

BY = "lock_period"


class Command(BooksCommand):
    """Lock or reopen: what is locked never changes, what comes late counts from the first open moment."""

    help = (
        "Lock the books through the end of a day, reopen them from a day on, or show how far they are locked."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the two days, of which one may be given, and the reason."""
        which = parser.add_mutually_exclusive_group()
        which.add_argument("--through", type=day_argument, metavar="DATE", help="the last day to lock")
        which.add_argument("--reopen-from", type=day_argument, metavar="DATE", help="the first day to reopen")
        parser.add_argument("--reason", default="", metavar="TEXT", help="needed for reopening")
        parser.add_argument("--yes", action="store_true", help="reopen without asking")

    def handle(self, *args: Any, **options: Any) -> None:
        """Change the lock and print it."""
        reason = options["reason"]
        try:
            if through := options["through"]:
                lock_through(through, reason, by=BY, now=timezone.now())
            elif first := options["reopen_from"]:
                check_reopening(first, reason)
                if not options["yes"] and not self._confirmed(first):
                    raise CommandError("nothing was changed")
                reopen_from(first, reason, by=BY, now=timezone.now())
        except LockError as error:
            raise CommandError(str(error)) from error
        self._show()

    def _confirmed(self, first: date) -> bool:
        """Ask on the terminal; without one there is no answer, so no."""
        question = f"Figures from {first} on may change again, also those already handed on. Reopen? [y/N] "
        try:
            return input(question).strip().lower() in {"y", "yes"}
        except EOFError:
            raise CommandError("there is no terminal to confirm on; add --yes to reopen") from None

    def _show(self) -> None:
        latest = PeriodChange.objects.last()
        if latest is None:
            self.stdout.write("nothing is locked")
            return
        self.stdout.write(f"{locked_text(latest.locked_until, the_shop().zone)}: {latest.reason}")
