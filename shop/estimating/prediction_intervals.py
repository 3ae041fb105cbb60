"""Prediction intervals of what a job takes, from similar past jobs. Pure.

An estimate rests on the latest finished jobs that share the most known facts with the new one. With n of
them that are exchangeable with the next, the interval between the j-th and the k-th smallest value covers the
next with probability (k - j) / (n + 1) whatever the distribution (Wilks 1941, Annals of Mathematical
Statistics 12; the same ranks as conformal prediction: Vovk, Gammerman and Shafer 2005). Ties only raise
the coverage, so counts with many zeros need no special case.

Where the past shows that longer damage takes longer, each past job is first scaled to the length asked for.
Amounts and money are Decimals; exponents and shares are floats.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, localcontext

from scipy.stats import kendalltau, theilslopes
from statsmodels.stats.proportion import proportion_confint

from inventory.decimals import LAST_PLACE, PRECISION
from shop.close_review.rules import FINISHED_OUTCOMES

LEVEL_PERCENT = 80
# With 9 jobs an 80% interval just exists: from the least to the most, (9 - 1) / (9 + 1).
FEWEST_JOBS = 9
# From 19 on one job lies outside at each end, so that no single odd job sets it. With fewer, look wider.
ENOUGH_JOBS = 19
# Older jobs say less about how the shop works now. Our choice, no source.
MOST_JOBS = 200
# This many of the latest jobs of a damage type are searched for similar ones; a rare kind must be among them.
LATEST_JOBS = 1000
# The significance at which longer damage counts as taking longer, so that jobs are scaled. Our choice, no
# source.
SCALING_P_VALUE = 0.01
# Damage twice as long has at most four times the area.
LARGEST_EXPONENT = 2.0
FACTOR_PLACES = Decimal("0.000001")
# What can be known of a job besides its damage type, in the sets that are tried, from the narrowest on.
FACTS_ALIKE: tuple[tuple[str, ...], ...] = (
    ("job_type", "catches_fingernail", "glass"),
    ("job_type", "catches_fingernail"),
    ("job_type", "glass"),
    ("job_type",),
    (),
)


@dataclass(frozen=True, slots=True)
class Asked:
    """The work to estimate: codes, and a length in mm; what is empty or None is not known."""

    damage_type: str
    job_type: str = ""
    glass: str = ""
    catches_fingernail: bool | None = None
    length_mm: Decimal | None = None


@dataclass(frozen=True, slots=True)
class PastJob:
    """A closed job that was not a callback; `key` identifies it."""

    key: int
    damage_type: str
    job_type: str
    glass: str
    catches_fingernail: bool | None
    length_mm: Decimal | None
    outcome: str
    technician: str
    labour_minutes: Decimal

    @property
    def is_finished(self) -> bool:
        """Whether the damage went or at least shrank."""
        return self.outcome in FINISHED_OUTCOMES


@dataclass(frozen=True, slots=True)
class Range:
    """A median, and the interval that holds the next job's value as often as the level says.

    Without an interval (`low` and `high` None) the median is a standard, not seen on jobs.
    """

    median: Decimal
    low: Decimal | None = None
    high: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Lost:
    """How many of the similar jobs were not finished, and the 95% interval of that share."""

    jobs: int
    lost: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Basis:
    """The finished jobs that an estimate rests on, the latest first, each with its scaling factor.

    `alike_in` names the facts that all of them share with the work asked for; empty: they are all jobs of the
    shop. `exponent` is None where length is not used.
    """

    jobs: tuple[PastJob, ...]
    factors: tuple[Decimal, ...]
    alike_in: tuple[str, ...]
    exponent: float | None
    lost: Lost


def basis_for(asked: Asked, of_damage: Sequence[PastJob], of_all: Sequence[PastJob] = ()) -> Basis | None:
    """Return what an estimate can rest on; None with fewer than FEWEST_JOBS finished jobs in all.

    `of_damage` are the latest jobs of the damage type, `of_all` of the shop, the latest first. The rule: the
    narrowest set with ENOUGH_JOBS finished ones; where there is none, all of the damage type; where even
    these are fewer than FEWEST_JOBS, all of the shop.
    """
    for facts in _sets_known(asked):
        alike = [job for job in of_damage if all(_same(job, asked, fact) for fact in facts)]
        finished = sum(job.is_finished for job in alike)
        if finished >= (ENOUGH_JOBS if facts else FEWEST_JOBS):
            return _basis(asked, alike, ("damage_type", *facts))
    if sum(job.is_finished for job in of_all) >= FEWEST_JOBS:
        return _basis(asked, of_all, ())
    return None


def _sets_known(asked: Asked) -> Iterator[tuple[str, ...]]:
    """Yield the sets of facts that are known of the work, from the narrowest on, each once."""
    known = [tuple(fact for fact in facts if getattr(asked, fact) not in ("", None)) for facts in FACTS_ALIKE]
    yield from dict.fromkeys(known)


def _same(job: PastJob, asked: Asked, fact: str) -> bool:
    return bool(getattr(job, fact) == getattr(asked, fact))


def _basis(asked: Asked, alike: Sequence[PastJob], alike_in: tuple[str, ...]) -> Basis:
    finished = [job for job in alike if job.is_finished][:MOST_JOBS]
    lost = lost_share(sum(not job.is_finished for job in alike), len(alike))
    measured = [job for job in finished if job.length_mm and job.labour_minutes > 0]
    if asked.length_mm and len(measured) >= ENOUGH_JOBS:
        lengths = [job.length_mm for job in measured if job.length_mm]
        exponent = length_exponent(lengths, [job.labour_minutes for job in measured])
        if exponent is not None:
            factors = tuple(length_factor(asked.length_mm, length, exponent) for length in lengths)
            return Basis(tuple(measured), factors, alike_in, exponent, lost)
    return Basis(tuple(finished), (Decimal(1),) * len(finished), alike_in, None, lost)


def length_exponent(lengths: Sequence[Decimal], minutes: Sequence[Decimal]) -> float | None:
    """Return b where minutes grow as length to the power of b; None where the past does not show it.

    The past shows it where Kendall's rank test (Kendall 1938), one-sided, is significant at SCALING_P_VALUE.
    b is the median of the slopes of all pairs on log scales (Theil 1950; Sen 1968), which a few wrong entries
    cannot move. All values must be above zero.
    """
    x, y = [math.log(length) for length in lengths], [math.log(minute) for minute in minutes]
    if len(set(x)) < 2 or len(set(y)) < 2:
        return None
    if float(kendalltau(x, y, alternative="greater").pvalue) > SCALING_P_VALUE:
        return None
    slope = float(theilslopes(y, x).slope)
    return min(slope, LARGEST_EXPONENT) if slope > 0 else None


def length_factor(asked_mm: Decimal, length_mm: Decimal, exponent: float) -> Decimal:
    """Return the factor that scales a past job's amounts to the length asked for."""
    return Decimal((float(asked_mm) / float(length_mm)) ** exponent).quantize(FACTOR_PLACES)


def spread(
    amounts: Sequence[Decimal],
    factors: Sequence[Decimal],
    *,
    in_whole: bool = False,
    level_percent: int = LEVEL_PERCENT,
) -> Range:
    """Return the median and the interval of amounts, one of each past job, in the order of their factors.

    The median is the smallest amount that at least half of the jobs stayed within. Each amount is rounded
    to 4 places, or `in_whole` pieces, before they are ranked. Raises ValueError when there are too few for an
    interval of the level.
    """
    place, way = (Decimal(1), ROUND_HALF_UP) if in_whole else (LAST_PLACE, ROUND_HALF_EVEN)
    with localcontext(prec=PRECISION):
        scaled = sorted(
            (amount * factor).quantize(place, way) for amount, factor in zip(amounts, factors, strict=True)
        )
    j, k = ranks(len(scaled), level_percent)
    return Range(scaled[(len(scaled) - 1) // 2], scaled[j - 1], scaled[k - 1])


def ranks(jobs: int, level_percent: int) -> tuple[int, int]:
    """Return the ranks (from 1) between which the next of `jobs` values lies with at least the level.

    As far in from both ends as that allows; the exact chance is (k - j) / (jobs + 1). Raises ValueError for a
    level that is not a percentage, or that so few jobs cannot reach.
    """
    if not 0 < level_percent < 100:
        raise ValueError(f"level {level_percent} must lie between 0 and 100 percent, such as 80")
    j = (jobs + 1) * (100 - level_percent) // 200
    if j < 1:
        raise ValueError(f"{jobs} jobs are too few for an interval of {level_percent}%")
    return j, jobs + 1 - j


def lost_share(lost: int, jobs: int, *, level: float = 0.95) -> Lost:
    """Return a share with its score interval (Wilson 1927, JASA 22), from 0 to 1 without any jobs."""
    if not 0 <= lost <= jobs:
        raise ValueError(f"{lost} of {jobs} jobs is not a share")
    if jobs == 0:
        return Lost(0, 0, 0.0, 1.0)
    low, high = proportion_confint(lost, jobs, alpha=1 - level, method="wilson")
    # At the ends the interval is closed, which rounding may miss by its last digit.
    return Lost(jobs, lost, 0.0 if lost == 0 else low, 1.0 if lost == jobs else high)


def price_for(cost: Decimal, target_percent: Decimal, digits: int) -> Decimal | None:
    """Return the least price, in the currency's smallest unit, that leaves the target margin over a cost.

    price = cost / (1 - target). None at a target of 100%, which no price reaches over a cost.
    """
    if target_percent >= 100:
        return None
    with localcontext(prec=PRECISION):
        exact = cost * 100 / (100 - target_percent)
        return exact.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_CEILING)
