"""Days and periods as arguments of commands."""

from argparse import ArgumentTypeError
from datetime import date

from django.core.management import CommandError

from inventory.documents import YEARS


def day_argument(text: str) -> date:
    """Return the day a command's argument names. Raises ArgumentTypeError with what was expected."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is not a date; write it as 2026-12-31") from None
    if day.year not in YEARS:
        raise ArgumentTypeError(f"{day} is outside the years {YEARS.start} to {YEARS.stop - 1}")
    return day


def check_period(start: date | None, end: date | None) -> None:
    """Refuse a period that ends before it starts. Raises CommandError."""
    if start and end and end < start:
        raise CommandError(f"--to {end} is before --from {start}; swap them")
