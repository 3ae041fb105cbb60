"""Do what is due now, once: for cron and for people."""

from argparse import ArgumentParser, ArgumentTypeError
from datetime import datetime
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from forecasting.models import Letter, LetterState
from forecasting.outbox.delivery import send_due_letters
from forecasting.scheduler.runner import Attempt, Ending, do_all
from inventory.documents import YEARS
from shop.common.text import counted
from shop.management.books_command import BooksCommand
from shop.models import in_shop_zone, the_shop


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
        attempts = []
        for attempt in do_all(now):
            attempts.append(attempt)
            self._say(attempt)
        # Mail goes out in real time, whatever moment the work is done for.
        letters = send_due_letters(timezone.now())
        for letter in letters:
            self._say_letter(letter)
        if not attempts and not letters:
            self.stdout.write(f"nothing is due at {in_shop_zone(now, shop):%Y-%m-%d %H:%M %Z}")
        wrong = sum(attempt.went_wrong for attempt in attempts)
        wrong += sum(letter.state != LetterState.SENT for letter in letters)
        if wrong:
            raise CommandError(f"{counted(wrong, 'piece')} of work went wrong; see above", returncode=1)

    def _say(self, attempt: Attempt) -> None:
        piece = attempt.piece
        failed = " FAILED:" if attempt.ending == Ending.FAILED else ":"
        self.stdout.write(f"{piece.kind} {piece.period}{failed} {attempt.said}")

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
