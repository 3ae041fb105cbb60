"""Which weeks count as evidence of a van's use: others are marked, not read as weeks of no demand. Pure.

Frames have weeks down, and across them vans, or series (place, consumable), as `forecasting.demand.frames`
makes them.
"""

import numpy as np
import pandas as pd

from forecasting.demand.frames import CONSUMABLE, of_each
from shop.workload.regular_work import PAUSE_WEEKS, opening

# A week without a job that chance alone, at the van's usual number of jobs, brings less often than this: the
# van was off the road. A choice of ours, no source.
CHANCE_OF_NO_JOB = 0.01
# A van without stock has a stockout for this long; after that it counts as not needing any.
DRY_WEEKS_MAX = 8
GIVEN_UP_WEEKS = PAUSE_WEEKS


def off_the_road(jobs: pd.DataFrame) -> pd.DataFrame:
    """Return the weeks in which each van was off the road, not just without a job.

    The usual number of jobs is the mean over the van's weeks with jobs; their number is taken as Poisson's,
    so that without a job a week has the probability exp(-usual).
    """
    worked = jobs > 0
    usual = jobs.where(worked).mean().fillna(0)
    off: pd.DataFrame = ~worked & (np.exp(-usual) < CHANCE_OF_NO_JOB)
    return off


def given_up(jobs: pd.DataFrame) -> "pd.Series[bool]":
    """Tell which vans worked once but not for a long time."""
    worked = jobs > 0
    return worked.any() & ~worked.tail(GIVEN_UP_WEEKS).any()


def bare_weeks(came: pd.DataFrame, went: pd.DataFrame) -> pd.DataFrame:
    """Tell the weeks in which a van held none of a consumable throughout, by the book.

    That is nothing or less at the start of the week, and nothing or less with all that came in during it. The
    first row of the frames is what came and went before the weeks, of which the answer has no row.
    """
    at_start = (came - went).cumsum().shift(fill_value=0)
    return (at_start + came <= 0).iloc[1:]


def _at_work(jobs: pd.DataFrame) -> pd.DataFrame:
    """Tell the weeks since each van's regular work began."""
    worked = (jobs > 0).to_numpy()
    openings = [opening(np.flatnonzero(weeks).tolist()) for weeks in worked.T]
    first = np.array([len(jobs) if week is None else week for week in openings], dtype=np.int64)
    return pd.DataFrame(np.arange(len(jobs))[:, None] >= first, index=jobs.index, columns=jobs.columns)


def observed_weeks(use: pd.DataFrame, jobs: pd.DataFrame, bare: pd.DataFrame) -> pd.DataFrame:
    """Tell which weeks count, by series; `jobs` are by van.

    A week with use always counts. A week without use does not count before the van's regular work began,
    before the first van used the consumable, while the van was off the road, and in the first weeks in which
    it held none of the consumable (`bare`).
    """
    used = use > 0
    at_work = of_each("jobs", _at_work(jobs), use.columns)
    introduced = used.T.groupby(level=CONSUMABLE).transform("any").T.cummax()
    began = at_work & introduced
    dry = bare & ~used & began
    dry_so_far = dry.cumsum()
    in_a_row = dry_so_far - dry_so_far.shift(DRY_WEEKS_MAX + 1, fill_value=0)
    stockout = dry & (in_a_row <= DRY_WEEKS_MAX)
    on_the_road = ~of_each("jobs", off_the_road(jobs), use.columns)
    return used | (began & on_the_road & ~stockout)
