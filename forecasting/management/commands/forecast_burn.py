"""python manage.py forecast_burn [--weeks N] [--at DATE]: forecast what every van will use."""

import sys
from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from forecasting.burn.inputs import AHEAD_WEEKS_MAX
from forecasting.burn.runs import forecast_burn
from forecasting.burn.text import STATED, place_of_level
from forecasting.models import BurnForecast, ForecastRun
from inventory.models import PlaceKind
from shop.management import text_tables
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import day_argument
from shop.models import start_of_day

SHOWN = (0.5, 0.8, STATED)


def weeks_argument(text: str) -> int:
    """Return a number of weeks ahead. Raises ArgumentTypeError for anything else."""
    if not text.isascii() or not text.isdigit() or not 1 <= int(text[:9]) <= AHEAD_WEEKS_MAX:
        raise ArgumentTypeError(f"{text!r} is not a number of weeks from 1 to {AHEAD_WEEKS_MAX}")
    return int(text)


class Command(BooksCommand):
    """The forecast is stored, whatever is shown; an earlier one is never changed."""

    help = (
        "Forecast what every van will use of every consumable, from what was recorded by now or by a day, "
        "and show it with how such forecasts did in the past."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the arguments."""
        parser.add_argument(
            "--weeks",
            type=weeks_argument,
            metavar="N",
            help=f"weeks ahead for vans, at most {AHEAD_WEEKS_MAX}; never fewer than restocking needs",
        )
        parser.add_argument(
            "--at",
            type=day_argument,
            metavar="DATE",
            help="forecast from what was recorded before this day, as 2026-12-31; default: now",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Forecast, with progress on a terminal, and print the table."""
        day = options["at"]
        known_at = None if day is None else start_of_day(day)
        if known_at is not None and known_at > timezone.now():
            raise CommandError(f"--at {day} is still to come; give a day that has begun")
        with _bar() as progress:
            run = forecast_burn(
                known_at=known_at, by="forecast_burn", weeks=options["weeks"], progress=progress
            )
        for ahead in sorted({1, options["weeks"] or 1}):
            self.stdout.write(_table(run, ahead))
        self.stdout.write(run.summary["in_words"])
        if known_at is not None and not run.weeks:
            self.stdout.write(
                f"What happened before {day} but was recorded later, as by an import, was not known then."
            )


@contextmanager
def _bar() -> Iterator[Any]:
    """Show a progress bar on a terminal."""
    with tqdm(desc="forecasting", unit="part", disable=None, file=sys.stderr, leave=False) as shown:

        def progress(done: int, of: int) -> None:
            shown.total = of
            shown.update(done - shown.n)

        yield progress


def _table(run: ForecastRun, ahead: int) -> str:
    history = f"{run.weeks} whole week{'' if run.weeks == 1 else 's'} from {run.first_week}"
    rows = BurnForecast.objects.filter(run=run, weeks_ahead=ahead, place__kind=PlaceKind.VAN)
    columns = ("median", *(f"{level:.0%}" for level in SHOWN[1:]), "demand", f"{STATED:.0%} held")
    return text_tables.table(
        f"Burn {'per week' if ahead == 1 else f'over {ahead} weeks'}, from {history}",
        ("van, consumable", *columns),
        [
            _row(row, run)
            for row in rows.select_related("place", "consumable").order_by("place__code", "consumable__code")
        ],
    )


def _row(row: BurnForecast, run: ForecastRun) -> list[str]:
    where = [place_of_level(run.levels, level) for level in SHOWN]
    held = f"{row.held[where[-1]]} of {row.tested} times" if row.tested else "too little history"
    return [
        f"{row.place}  {row.consumable} ({row.consumable.stock_unit})",
        *(f"{Decimal(row.quantiles[place]):,.0f}" for place in where),
        row.demand_class,
        held,
    ]
