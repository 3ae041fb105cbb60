"""Which weeks say something about what a van uses: others are marked, not read as weeks without need. Pure.

Arrays are (series, weeks), a series being one consumable at one van.
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

# A week without a job that chance alone, at the van's usual number of jobs, brings less often than this: the
# van was off the road. A choice of ours, no source.
CHANCE_OF_NO_JOB = 0.01
# So long a van without stock is taken to have wanted some; then, that it does without.
DRY_WEEKS_MAX = 8
# A van that has not done a job for so long is taken to be given up.
GIVEN_UP_WEEKS = 13


def off_the_road(jobs: FloatArray) -> BoolArray:
    """Tell the weeks in which a van was off the road from those in which it merely had no job.

    The usual number of jobs is the mean over the van's weeks with jobs; their number is taken as Poisson's,
    so that without a job a week has the probability exp(-usual).
    """
    worked = jobs > 0
    usual = jobs.sum(axis=1) / np.maximum(worked.sum(axis=1), 1)
    off: BoolArray = ~worked & (np.exp(-usual) < CHANCE_OF_NO_JOB)[:, None]
    return off


def given_up(jobs: FloatArray) -> BoolArray:
    """Tell which vans, (series,), worked once but not for a long time."""
    worked = jobs > 0
    given: BoolArray = np.any(worked, axis=1) & ~np.any(worked[:, -GIVEN_UP_WEEKS:], axis=1)
    return given


def observed_weeks(use: FloatArray, jobs: FloatArray, bare: BoolArray, group: IntArray) -> BoolArray:
    """Tell which weeks count.

    A week with use always does. Without use it does not before the van's first job, before the first van
    used the consumable (equal numbers in `group`), while the van was off the road, nor, for the first weeks
    of that, while it held none of the consumable (`bare`).
    """
    weeks = use.shape[1]
    used = use > 0
    number = np.arange(weeks)
    first_job = np.where((jobs > 0).any(axis=1), (jobs > 0).argmax(axis=1), weeks)
    first_use = np.where(used.any(axis=1), used.argmax(axis=1), weeks)
    introduced = np.full(int(group.max(initial=-1)) + 1, weeks)
    np.minimum.at(introduced, group, first_use)
    start = np.maximum(first_job, introduced[group])
    began = number >= start[:, None]
    dry = bare & ~used & began
    # Weeks in a row up to each one, from those since the last that was not dry.
    last_wet = np.maximum.accumulate(np.where(dry, -1, number), axis=1)
    since = number - np.maximum(last_wet, start[:, None] - 1)
    wanting = dry & (since <= DRY_WEEKS_MAX)
    seen: BoolArray = used | (began & ~off_the_road(jobs) & ~wanting)
    return seen
