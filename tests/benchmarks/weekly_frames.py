"""What it takes to lay rows of the books out as weekly frames, against grouping them by hand.

Run as `python -m tests.benchmarks.weekly_frames [--tiny]`. Both start from the rows that the database gives
and end with what the forecast reads: use in stock units, jobs and the weeks that count, (series, weeks). The
peer fills dicts and arrays of numpy cell by cell. Sizes are the largest chunk of a run (200 vans x 25
consumables x 156 weeks) and about the demo shop's. Time is the process's own, so that others on the machine
matter less; the least of several runs. `--tiny` is a quick check that it works; its times say nothing.

Seen: 0.45 of the peer's time for the largest chunk, as no cell is a Python number. pandas takes
some 30 ms however few the rows, so that small shops take more than by hand; but there the queries that bring
the rows take 20 times that, and with them the whole reading of the demo shop's panel took as long either way.
"""

import argparse
import os
import random
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date

import django
import numpy as np
import pandas as pd

from forecasting.arrays import BoolArray, FloatArray
from forecasting.burn.censoring import CHANCE_OF_NO_JOB, DRY_WEEKS_MAX
from forecasting.demand.frames import PLACE, arrays, frame, iso_weeks
from inventory.db.fixed_point import from_scaled
from inventory.reports.iso_weeks import BEFORE, Weeks

MONDAY = date(2023, 1, 2)
SIZES = {"largest chunk": (200, 25, 156), "demo shop": (4, 22, 60)}
TINY = {"tiny": (2, 2, 8)}


WeekRow = tuple[int, int, int, int]  # van, consumable, number of the week, ten-thousandths


@dataclass(frozen=True)
class Books:
    """Rows as the database gives them, and which weeks and series they are of."""

    weeks: int
    vans: list[int]
    consumables: list[int]
    used: list[WeekRow]
    jobs: list[tuple[int, int, int]]
    came: list[WeekRow]
    went: list[WeekRow]


Laid = tuple[FloatArray, FloatArray, BoolArray]  # use, jobs, observed: (series, weeks), series by consumable


def books(vans: int, consumables: int, weeks: int, seed: int = 1) -> Books:
    """Return rows of an invented shop: a third of all weeks with use, a tenth with stock brought."""
    chance = random.Random(seed)
    places, kinds = list(range(101, 101 + vans)), list(range(11, 11 + consumables))
    cells = [(van, kind, week) for kind in kinds for van in places for week in range(weeks)]
    used = [(*cell, chance.choice((5_000, 10_000, 23_000))) for cell in cells if chance.random() < 0.33]
    came = [(*cell, chance.choice((20_000, 60_000))) for cell in cells if chance.random() < 0.1]
    came += [(van, kind, BEFORE, 50_000) for kind in kinds for van in places if chance.random() < 0.8]
    jobs = [
        (van, week, chance.randint(1, 9)) for van in places for week in range(weeks) if chance.random() < 0.9
    ]
    return Books(weeks, places, kinds, used, jobs, came, used)


def by_frames(rows: Books) -> Laid:
    """Lay the rows out as the product does."""
    from forecasting.burn import inputs  # noqa: PLC0415 - models need django.setup() first

    jobs = frame(rows.jobs, iso_weeks(MONDAY, rows.weeks), pd.Index(rows.vans, name=PLACE))
    panel = inputs.panel_of(
        Weeks(MONDAY, rows.weeks, UTC),
        inputs.WorkingVans(jobs, None),
        rows.consumables,
        used=rows.used,
        came=rows.came,
        went=rows.went,
    )
    demand = arrays(panel.demand)
    return demand, arrays(panel.jobs), ~np.isnan(demand)


def by_hand(rows: Books) -> Laid:
    """Lay the rows out cell by cell."""
    use_of: dict[tuple[int, int], dict[int, float]] = defaultdict(dict)
    for van, consumable, week, quantity in rows.used:
        use_of[van, consumable][week] = float(from_scaled(quantity))
    jobs_of: dict[int, dict[int, int]] = defaultdict(dict)
    for van, week, number in rows.jobs:
        jobs_of[van][week] = number
    pairs = [(van, consumable) for consumable in rows.consumables for van in rows.vans]
    use, jobs = np.zeros((len(pairs), rows.weeks)), np.zeros((len(pairs), rows.weeks))
    for series, (van, consumable) in enumerate(pairs):
        for week, amount in use_of[van, consumable].items():
            use[series, week] = amount
        for week, number in jobs_of[van].items():
            jobs[series, week] = number
    observed = observed_by_hand(use, jobs, bare_by_hand(rows, pairs), [pair[1] for pair in pairs])
    return np.where(observed, use, np.nan), jobs, observed


def bare_by_hand(rows: Books, pairs: list[tuple[int, int]]) -> BoolArray:
    """Tell the weeks in which a van held none of a consumable throughout."""
    came: dict[tuple[int, int], dict[int, int]] = defaultdict(lambda: defaultdict(int))
    went: dict[tuple[int, int], dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for total, flow in ((came, rows.came), (went, rows.went)):
        for van, consumable, week, quantity in flow:
            total[van, consumable][week] += quantity
    bare = np.ones((len(pairs), rows.weeks), dtype=bool)
    for series, pair in enumerate(pairs):
        held = came[pair][BEFORE] - went[pair][BEFORE]
        for week in range(rows.weeks):
            held += came[pair][week]
            bare[series, week] = held <= 0
            held -= went[pair][week]
    return bare


def observed_by_hand(use: FloatArray, jobs: FloatArray, bare: BoolArray, consumables: list[int]) -> BoolArray:
    """Tell which weeks count, with arrays."""
    weeks, number = use.shape[1], np.arange(use.shape[1])
    used, worked = use > 0, jobs > 0
    group = np.unique(consumables, return_inverse=True)[1]
    first_job = np.where(worked.any(axis=1), worked.argmax(axis=1), weeks)
    first_use = np.where(used.any(axis=1), used.argmax(axis=1), weeks)
    introduced = np.full(int(group.max(initial=-1)) + 1, weeks)
    np.minimum.at(introduced, group, first_use)
    start = np.maximum(first_job, introduced[group])
    began = number >= start[:, None]
    dry = bare & ~used & began
    last_wet = np.maximum.accumulate(np.where(dry, -1, number), axis=1)
    since = number - np.maximum(last_wet, start[:, None] - 1)
    usual = jobs.sum(axis=1) / np.maximum(worked.sum(axis=1), 1)
    off = ~worked & (np.exp(-usual) < CHANCE_OF_NO_JOB)[:, None]
    found: BoolArray = used | (began & ~off & ~(dry & (since <= DRY_WEEKS_MAX)))
    return found


def seconds(work: Callable[[Books], Laid], rows: Books, times: int) -> float:
    """Return the least processor time that the work took."""
    taken = []
    for _ in range(times):
        start = time.process_time()
        work(rows)
        taken.append(time.process_time() - start)
    return min(taken)


def main(arguments: list[str] | None = None) -> None:
    """Measure each size and print the ratio."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
    django.setup()
    sizes = TINY if parser.parse_args(arguments).tiny else SIZES
    for name, size in sizes.items():
        rows = books(*size)
        times = 3 if len(rows.used) > 50_000 else 20
        frames, hand = (seconds(work, rows, times) for work in (by_frames, by_hand))
        print(
            f"{name}, {' x '.join(map(str, size))}: frames {frames * 1000:,.1f} ms, "
            f"by hand {hand * 1000:,.1f} ms, ratio {frames / max(hand, 1e-9):.2f}"
        )


if __name__ == "__main__":
    main()
