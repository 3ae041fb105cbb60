"""Play the weekly restock over the shop's own past, with the settings in force and with others."""

import math
import sys
from argparse import ArgumentParser
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from forecasting.models import ServiceClass, the_terms
from forecasting.policy_review.simulation_inputs import CannotReplayError, Past, read_past
from forecasting.policy_review.what_if import Setting, SimulatedOutcome, alternatives, outcome, play
from inventory.weeks import A_WEEK, DAYS_A_WEEK, monday_of
from shop.management.books_command import BooksCommand
from shop.management.day_arguments import check_period, day_argument
from shop.management.text_tables import percent, table
from shop.models import in_shop_zone, the_shop

WEEKS_MIN = 8
WEEKS_MAX = 104
HOW_TO_READ = """\
  In stock: the share of restocks after which nothing ran short until the next one; the target is the aim of
  the settings in force. Served: the share of the value used that was on the van at once; the rest waits for
  the next restock. Stock: the average on the vans, in pieces (without measured consumables) and in money.
  Each forecast knows only the weeks before it. The depot is assumed to have enough. Bookings are left out,
  and so is demand that jobs could not meet.
"""


class Command(BooksCommand):
    """Replay the policy; nothing is changed or kept."""

    help = (
        "Replay weekly restocking over a past period with the settings in force and with others, and compare."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the period."""
        parser.add_argument("--from", dest="start", type=day_argument, required=True, metavar="DATE")
        parser.add_argument("--to", dest="end", type=day_argument, required=True, metavar="DATE")
        parser.add_argument(
            "--whenever-recorded",
            action="store_true",
            help="count what had happened by each week, however late it was recorded, as by an import",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Check the period, replay every setting, print the tables."""
        terms = the_terms()
        settings = alternatives(terms.review_days, terms.van_lead_days)
        skip_days = max(setting.interval_days for setting in settings)
        ahead = math.ceil(skip_days / DAYS_A_WEEK)
        first, weeks = whole_weeks(options["start"], options["end"], WEEKS_MIN + ahead)
        with tqdm(total=weeks, desc="forecasting", unit="week", file=sys.stderr, disable=None) as bar:
            try:
                past = read_past(
                    first,
                    weeks,
                    ahead,
                    now=timezone.now(),
                    whenever_recorded=options["whenever_recorded"],
                    progress=bar.update,
                )
            except CannotReplayError as reason:
                raise CommandError(str(reason)) from None
        played = [play(past.panel, setting, skip_days=skip_days) for setting in settings]
        last = first + weeks * A_WEEK - timedelta(days=1)
        self.stdout.write(
            f"{len(past.vans):,} series of a consumable on a van, {first} to {last}; "
            f"the first {skip_days} days do not count\n"
        )

        def compared(chosen: Any) -> list[SimulatedOutcome]:
            return [outcome(past.panel, one, past.unit_cost, chosen) for one in played]

        for title, groups in _groups(past).items():
            found = {name: compared(chosen) for name, chosen in groups.items()}
            self.stdout.write(_table(title, settings, found))
        self.stdout.write(HOW_TO_READ)


def whole_weeks(start: date, end: date, weeks_min: int) -> tuple[date, int]:
    """Return the first Monday and the number of whole weeks from `start` through `end`.

    Raises CommandError for a period that ends before it starts, is not over yet, or has too few or too many
    weeks.
    """
    check_period(start, end)
    today = in_shop_zone(timezone.now(), the_shop()).date()
    if end >= today:
        raise CommandError(f"--to {end} is not over yet; the last day is {today - timedelta(days=1)}")
    first = monday_of(start + timedelta(days=DAYS_A_WEEK - 1))
    weeks = max((end + timedelta(days=1) - first) // A_WEEK, 0)
    if weeks < weeks_min:
        raise CommandError(
            f"--from {start} --to {end} holds {weeks} whole weeks, Monday to Sunday; "
            f"a replay needs {weeks_min}"
        )
    if weeks > WEEKS_MAX:
        raise CommandError(
            f"--from {start} --to {end} holds {weeks} weeks; replay at most {WEEKS_MAX} at once"
        )
    return first, weeks


def _groups(past: Past) -> dict[str, dict[str, Any]]:
    """Return which series are compared together, under the title of each table."""
    classes = [name for name in ServiceClass.values if name in past.classes]
    return {
        "All vans": {"": np.ones(len(past.vans), dtype=bool)},
        "By service class": {name: past.classes == name for name in classes},
        "By van": {van: past.vans == van for van in np.unique(past.vans).tolist()},
    }


def _table(title: str, settings: Sequence[Setting], found: dict[str, list[SimulatedOutcome]]) -> str:
    rows = [
        [
            f"{name}, {setting.name}" if name else setting.name,
            _share(one.lasted),
            percent(one.target),
            _share(one.served),
            f"{one.pieces:,.1f}",
            f"{one.value:,.2f}",
        ]
        for name, outcomes in found.items()
        for setting, one in zip(settings, outcomes, strict=True)
    ]
    header = ("settings", "in stock", "target", "served", "stock, pieces", f"stock, {the_shop().currency}")
    return table(title, header, rows)


def _share(ratio: float | None) -> str:
    return "-" if ratio is None else f"{ratio:.1%}"
