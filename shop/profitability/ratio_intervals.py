"""How sure a margin is: the margin ratio of a group of jobs, its interval, and shrinkage when jobs are few.

Statistics, not bookkeeping: the results are floats, never posted and never added to money. The ratio is the
sum of margins over the sum of revenue (not the mean of each job's ratio), so a job counts by what it earns
and an abandoned job, which earns nothing, still counts its costs.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist
from typing import SupportsFloat

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

# Up to here a group's jobs are resampled; beyond, sums suffice and the two agree (see the tests).
MOST_JOBS_RESAMPLED = 200
RESAMPLES = 2000
# Any fixed number will do: the same jobs must show the same interval each time the page is opened.
SEED = 20250101
# Below this the percentile interval is known to be too narrow; the note says so. Common practice, no source.
FEW_JOBS = 10
# A spread smaller than this share of the sums it is left over from is rounding in the sums.
ROUNDING = 1e-12
# Stein's estimator around an estimated mean needs four groups or more (Efron and Morris 1975).
FEWEST_GROUPS_SHRUNK = 4


class IntervalMethod(StrEnum):
    """How an interval came about."""

    BOOTSTRAP = "bootstrap"
    DELTA = "delta"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class MarginRatio:
    """A group's margin over its revenue, with an interval; None where there is none, and `note` says why."""

    jobs: int
    ratio: float | None
    low: float | None = None
    high: float | None = None
    method: IntervalMethod = IntervalMethod.NONE
    note: str = ""


@dataclass(frozen=True, slots=True)
class RatioSums:
    """All that the ratio and its standard error need of a group; sums of groups are sums of their jobs."""

    jobs: int
    margin: float
    revenue: float
    margin_squared: float
    margin_revenue: float
    revenue_squared: float

    @property
    def ratio(self) -> float | None:
        """Margin over revenue; None when nothing was earned."""
        return self.margin / self.revenue if self.revenue > 0 else None

    @property
    def residual(self) -> float:
        """Sum over jobs of (margin - ratio x revenue) squared; 0 when it is no more than rounding."""
        ratio = self.ratio
        if ratio is None:
            return 0.0
        parts = (self.margin_squared, -2 * ratio * self.margin_revenue, ratio**2 * self.revenue_squared)
        residual = sum(parts)
        return residual if residual > ROUNDING * sum(map(abs, parts)) else 0.0


def ratio_sums(margins: Iterable[SupportsFloat], revenues: Iterable[SupportsFloat]) -> RatioSums:
    """Return the sums over jobs; margins and revenues are in the same order of jobs."""
    m, r = _sorted_pairs(margins, revenues)
    return RatioSums(len(m), float(m.sum()), float(r.sum()), float(m @ m), float(m @ r), float(r @ r))


def margin_ratio(
    margins: Iterable[SupportsFloat], revenues: Iterable[SupportsFloat], *, level: float = 0.95
) -> MarginRatio:
    """Return a group's ratio with the interval that suits its size; the order of jobs does not matter."""
    m, r = _sorted_pairs(margins, revenues)
    if len(m) <= MOST_JOBS_RESAMPLED:
        return bootstrap_margin_ratio(m, r, level=level)
    return delta_margin_ratio(ratio_sums(m, r), level=level)


def bootstrap_margin_ratio(
    margins: Iterable[SupportsFloat],
    revenues: Iterable[SupportsFloat],
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
    seed: int = SEED,
) -> MarginRatio:
    """Return the ratio with its percentile interval over resampled jobs (Efron and Tibshirani 1993, ch. 13).

    A resample in which nothing was earned counts as worse than any ratio; when more than the lower tail is
    like that there is no interval. Deterministic for a set of jobs, whatever their order. Memory: `resamples`
    x jobs x 16 bytes.
    """
    m, r = _sorted_pairs(margins, revenues)
    sums = ratio_sums(m, r)
    if (plain := _without_interval(sums, level)) is not None:
        return plain
    jobs = len(m)
    picks = np.random.default_rng(seed).integers(jobs, size=(resamples, jobs))
    resampled_margin, resampled_revenue = m[picks].sum(axis=1), r[picks].sum(axis=1)
    ratios = np.full(resamples, -np.inf)
    np.divide(resampled_margin, resampled_revenue, out=ratios, where=resampled_revenue > 0)
    ratios.sort()
    tail = round((1 - level) / 2 * resamples)
    low, high = float(ratios[tail]), float(ratios[resamples - 1 - tail])
    if low == -np.inf:
        return MarginRatio(jobs, sums.ratio, note="too few jobs with revenue for an interval")
    note = f"only {jobs} jobs: the interval is rather too narrow" if jobs < FEW_JOBS else ""
    return MarginRatio(jobs, sums.ratio, low, high, IntervalMethod.BOOTSTRAP, note)


def delta_margin_ratio(sums: RatioSums, *, level: float = 0.95) -> MarginRatio:
    """Return the ratio with its normal interval from the standard error of a ratio estimate.

    For large groups, from sums that a database can make. Needs many jobs to be right (Cochran 1977 asks for
    more than 30 and coefficients of variation of both means under 10%).
    """
    if (plain := _without_interval(sums, level)) is not None:
        return plain
    ratio = sums.margin / sums.revenue
    reach = NormalDist().inv_cdf((1 + level) / 2) * ratio_standard_error(sums)
    return MarginRatio(sums.jobs, ratio, ratio - reach, ratio + reach, IntervalMethod.DELTA)


def ratio_standard_error(sums: RatioSums) -> float:
    """Return the standard error of margin / revenue by the delta method.

    se^2 = sum (m - ratio r)^2 / (n - 1) / n / mean(r)^2, without the finite population correction: jobs are a
    sample of those to come (Cochran, *Sampling Techniques*, 3rd ed. 1977, sections 2.11 and 6.3 [numbering
    from memory]). Raises ValueError for fewer than two jobs or no revenue.
    """
    if sums.jobs < 2 or sums.revenue <= 0:
        raise ValueError(
            f"{sums.jobs} jobs with revenue {sums.revenue} have no standard error; give two or more"
        )
    return float((sums.residual * sums.jobs / (sums.jobs - 1)) ** 0.5 / sums.revenue)


def shrink(estimates: Sequence[float], variances: Sequence[float]) -> list[float]:
    """Pull the estimates of several groups towards their common mean, more where the variance is larger.

    Empirical Bayes with a normal spread A of the true values: A solves sum (y - mean)^2 / (v + A) = k - 1, or
    is 0 (its positive part), the mean being weighted by 1 / (v + A) (Fay and Herriot 1979; Paule and Mandel
    1982); each estimate keeps 1 - (k - 3) / (k - 1) x v / (v + A) of its distance (Morris 1983). With equal
    variances this is Stein's estimator as in Efron and Morris 1975, its factor bounded by (k - 3) / (k - 1).
    Fewer than four groups are returned as they are.

    `variances` are of the estimates (squared standard errors). Raises ValueError when one is not positive.
    """
    y, v = np.array(estimates, dtype=float), np.array(variances, dtype=float)
    if len(y) != len(v):
        raise ValueError(f"{len(y)} estimates have {len(v)} variances; give one each")
    if not (np.isfinite(v).all() and np.isfinite(y).all() and (v > 0).all()):
        raise ValueError("every estimate must be a number and every variance positive; leave the others out")
    groups = len(y)
    if groups < FEWEST_GROUPS_SHRUNK:
        return list(map(float, y))
    spread = _spread_of_true_values(y, v)
    weights = 1 / (v + spread)
    mean = (weights @ y) / weights.sum()
    kept = 1 - (groups - 3) / (groups - 1) * v * weights
    return list(map(float, mean + kept * (y - mean)))


def shrunk_ratios(groups: Sequence[RatioSums]) -> list[float | None]:
    """Return each group's ratio pulled towards the mean of all, for showing beside the plain one.

    A group of one job has no variance of its own, so the spread of a job around its group's ratio is pooled
    over all groups: variance = jobs x pooled residual variance / revenue^2. None where nothing was earned.
    Where no spread can be measured (all alike, or one job each) the ratios are returned as they are.
    """
    ratios = [group.ratio for group in groups]
    earning = [group for group in groups if group.revenue > 0]
    degrees = sum(group.jobs - 1 for group in earning)
    residual = sum(group.residual for group in earning)
    if degrees == 0 or residual == 0:
        return ratios
    variances = [group.jobs * residual / degrees / group.revenue**2 for group in earning]
    shrunk = iter(shrink([ratio for ratio in ratios if ratio is not None], variances))
    return [None if ratio is None else next(shrunk) for ratio in ratios]


def _spread_of_true_values(y: npt.NDArray[np.float64], v: npt.NDArray[np.float64]) -> float:
    def excess(spread: float) -> float:
        weights = 1 / (v + spread)
        mean = (weights @ y) / weights.sum()
        return float(weights @ (y - mean) ** 2) - (len(y) - 1)

    if excess(0.0) <= 0:
        return 0.0
    # The excess falls as the spread grows, and at this one it is negative: each weight is below 1 / spread.
    upper = 2 * float(((y - y.mean()) ** 2).sum()) / (len(y) - 1)
    return float(brentq(excess, 0.0, upper, xtol=1e-15 * upper, rtol=1e-12))


def _sorted_pairs(
    margins: Iterable[SupportsFloat], revenues: Iterable[SupportsFloat]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return both as arrays sorted by revenue, then margin, so that no result hangs on the order given."""
    m = np.array([float(margin) for margin in margins])
    r = np.array([float(revenue) for revenue in revenues])
    if len(m) != len(r):
        raise ValueError(f"{len(m)} margins have {len(r)} revenues; give one of each per job")
    if not (np.isfinite(m).all() and np.isfinite(r).all()):
        raise ValueError("margins and revenues must be finite numbers")
    order = np.lexsort((m, r))
    return m[order], r[order]


def _without_interval(sums: RatioSums, level: float) -> MarginRatio | None:
    if not 0 < level < 1:
        raise ValueError(f"level {level} must lie between 0 and 1, such as 0.95")
    if sums.jobs == 0:
        return MarginRatio(0, None, note="no jobs")
    ratio = sums.ratio
    if ratio is None:
        return MarginRatio(sums.jobs, None, note="no revenue")
    if sums.jobs == 1:
        return MarginRatio(1, ratio, note="one job: no interval")
    if sums.residual == 0:
        return MarginRatio(sums.jobs, ratio, note=f"all {sums.jobs} jobs alike: no spread to judge by")
    return None
