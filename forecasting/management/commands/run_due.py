"""Do what is due now, once: for cron and for people."""

from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from forecasting.models import Letter, LetterState
from forecasting.outbox.delivery import send_due_letters
from forecasting.scheduler.monitoring import failed
from forecasting.scheduler.runner import Attempt, Ending, do_all, renewal_waits
from inventory.documents import YEARS
from shop.common.text import counted
from shop.management.books_command import BooksCommand
from shop.models import Shop, in_shop_zone, the_shop


class Command(BooksCommand):
    """Forecasts, drafts, letters and checks, each done once a period; exit with 1 when something failed."""

    help = (
        "Do the periodic work that is due now: burn forecast, restock drafts, weekly letters, purchase "
        "drafts, ledger check; then send letters. Safe to run at any time, and by several at once."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the arguments."""
        parser.add_argument(
            "--at",
            type=moment_argument,
            metavar="TIME",
            help="as if it were this moment, such as 2026-11-30T06:00 on the shop's clocks",
        )

    def handle(self, *args: Any, at: datetime | None, **options: Any) -> None:
        """Do it, printing each piece as it ends."""
        shop = the_shop()
        now = timezone.now() if at is None else at if at.tzinfo else at.replace(tzinfo=shop.zone)
        attempts: list[Attempt] = []
        for attempt in do_all(now):
            self._say(attempt, attempts)
            attempts.append(attempt)
        # Mail goes out in real time, whatever moment the work is done for.
        letters = send_due_letters(timezone.now())
        for letter in letters:
            self._say_letter(letter)
        if not attempts and not letters:
            self.stdout.write(f"nothing is due at {in_shop_zone(now, shop):%Y-%m-%d %H:%M %Z}")
            self._say_what_waits(now, shop)
        wrong = sum(attempt.went_wrong for attempt in attempts)
        wrong += sum(letter.state != LetterState.SENT for letter in letters)
        if wrong:
            raise CommandError(f"{counted(wrong, 'piece')} of work went wrong; see above", returncode=1)

    def _say(self, attempt: Attempt, before: Sequence[Attempt]) -> None:
        piece, said = attempt.piece, attempt.said
        has_failed = attempt.ending == Ending.FAILED
        if has_failed and any(one.ending == Ending.FAILED and one.said == said for one in before):
            said = "for the same reason"
        self.stdout.write(f"{piece.kind} {piece.period}{' FAILED' if has_failed else ''}: {said}")

    def _say_what_waits(self, now: datetime, shop: Shop) -> None:
        """Say what failed before and new data, which wait for their time to be tried."""
        for work in failed(now):
            if work.not_before is not None:
                again = f"{in_shop_zone(work.not_before, shop):%H:%M:%S}"
                self.stdout.write(
                    f"{work.kind} {work.period} failed and is tried again at {again}: {work.error}"
                )
        if at := renewal_waits(now):
            self.stdout.write(
                f"new data has come; this week's drafts are made again at {in_shop_zone(at, shop):%H:%M:%S}"
            )

    def _say_letter(self, letter: Letter) -> None:
        words = f": {letter.error}" if letter.error else ""
        state = "will be tried again" if letter.state == LetterState.WAITING else letter.state
        self.stdout.write(f"letter {letter.key} to {', '.join(letter.recipients)}: {state}{words}")


def moment_argument(text: str) -> datetime:
    """Return the moment an argument names, with or without an offset. Raises ArgumentTypeError."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is not a moment; write it as 2026-11-30T06:00") from None
    if moment.year not in YEARS:
        raise ArgumentTypeError(f"{text} is outside the years {YEARS.start} to {YEARS.stop - 1}")
    return moment
