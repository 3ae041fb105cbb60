"""Lock the books through a day, reopen them, or say how far they are locked."""

from argparse import ArgumentParser
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from inventory.documents import YEARS
from inventory.models import PeriodChange
from inventory.periods import change_lock, open_from
from shop.days import day_argument, start_of_day
from shop.management.books_command import BooksCommand
from shop.models import the_shop

BY = "lock_period"
LONGEST_REASON = 500


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
        locked_until = open_from()
        if through := options["through"]:
            self._lock(_in_range(through), locked_until, options["reason"])
        elif first := options["reopen_from"]:
            self._reopen(_in_range(first), locked_until, options["reason"], sure=options["yes"])
        self._show()

    def _lock(self, through: date, locked_until: datetime | None, reason: str) -> None:
        until = start_of_day(through + timedelta(days=1))
        if locked_until == until:
            return
        if locked_until is not None and until < locked_until:
            raise CommandError(
                f"the books are locked beyond {through} already; use --reopen-from to unlock what follows it"
            )
        self._change(until, reason or f"closed through {through}")

    def _reopen(self, first: date, locked_until: datetime | None, reason: str, *, sure: bool) -> None:
        until = start_of_day(first)
        if not reason.strip():
            raise CommandError("give the --reason for reopening; it is kept with the change")
        if locked_until is None or locked_until <= until:
            raise CommandError(f"the books are open from {first} on already; nothing to reopen")
        if not sure and not self._confirmed(first):
            raise CommandError("nothing was changed")
        self._change(until, reason)

    def _confirmed(self, first: date) -> bool:
        """Ask on the terminal; without one there is no answer, so no."""
        question = f"Figures from {first} on may change again, also those handed on. Reopen? [y/N] "
        try:
            return input(question).strip().lower() in {"y", "yes"}
        except EOFError:
            raise CommandError("there is no terminal to confirm on; add --yes to reopen") from None

    def _change(self, until: datetime, reason: str) -> None:
        if len(reason) > LONGEST_REASON:
            raise CommandError(f"the reason is longer than {LONGEST_REASON} characters")
        try:
            change_lock(until.astimezone(UTC), reason=reason, by=BY, now=timezone.now())
        except ValueError as error:
            raise CommandError(str(error)) from error

    def _show(self) -> None:
        latest = PeriodChange.objects.last()
        if latest is None:
            self.stdout.write("nothing is locked")
            return
        self.stdout.write(f"{locked_text(latest.locked_until, the_shop().zone)}: {latest.reason}")


def locked_text(locked_until: datetime | None, zone: tzinfo) -> str:
    """Return how far the books are locked, in words, as the shop's clocks show it."""
    if locked_until is None:
        return "nothing is locked"
    local = locked_until.astimezone(zone)
    start = local.replace(hour=0, minute=0, second=0, microsecond=0)
    if start.astimezone(UTC) == locked_until:
        return f"locked through {local.date() - timedelta(days=1)}"
    return f"locked up to {local.isoformat()}"


def _in_range(day: date) -> date:
    if day.year not in YEARS:
        raise CommandError(f"{day} is outside the years {YEARS.start} to {YEARS.stop - 1}")
    return day
