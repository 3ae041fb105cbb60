"""Demand made of a random number of jobs, each with a random use: the compound distribution. Pure.

Distributions are (series, units): entry k of a row is the probability of k whole units.

This is what the panel's forecast is checked against, not a step of it: a Poisson number of jobs whose uses
are logarithmic is the negative binomial (Quenouille 1949), whose quantiles the panel finds directly.
The uses of single jobs, which any other compound needs, are not in a history of periods.
"""

import math

import numpy as np

from forecasting.arrays import FloatArray

# Largest rate, and mean number under a small size, whose probability of nothing is far above underflow.
RATE_MAX = 200.0


def panjer(
    rate: FloatArray, use_per_job: FloatArray, units_max: int, size: FloatArray | None = None
) -> FloatArray:
    """Distribution of the total use of a Poisson or negative binomial number of jobs (Panjer 1981).

    `rate`: expected number of jobs (series,), 0 or more; `use_per_job`: (series, units) or (units,), each row
    summing to 1; `size`: the negative binomial's size (series,), Poisson where None. Returns
    (series, units_max + 1); what lies beyond is missing from the sum. A rate too large for the recursion is
    halved until it fits, and the halves are added up by convolution.
    Raises ValueError for a rate that is negative or not finite, and for a use that is not a distribution.
    """
    uses = np.broadcast_to(np.atleast_2d(use_per_job), (len(rate), np.shape(use_per_job)[-1]))
    _require_distributions(rate, uses)
    halvings = max(0, math.ceil(math.log2(max(float(rate.max(initial=0.0)), 1.0) / RATE_MAX)))
    parts = 2.0**halvings
    part_size = None if size is None else size / parts
    total = _recursion(rate / parts, uses, units_max, part_size)
    for _ in range(halvings):
        total = _added_to_itself(total)
    return total


def quantiles(distribution: FloatArray, levels: FloatArray) -> FloatArray:
    """The smallest whole numbers reached with the given probabilities: (series, levels).

    Raises ValueError where a distribution ends before a level; more units are needed.
    """
    reached = np.cumsum(distribution, axis=1)
    wanted = levels - 1e-12
    for series in np.flatnonzero(reached[:, -1] < wanted.max()):
        raise ValueError(
            f"Series {series}: the distribution holds {reached[series, -1]:.6f}, "
            f"less than level {levels.max()}; let it reach more units"
        )
    units: FloatArray = (reached[:, :, None] < wanted).sum(axis=1).astype(float)
    return units


def _recursion(rate: FloatArray, uses: FloatArray, units_max: int, size: FloatArray | None) -> FloatArray:
    """g(k) = sum over j of (a + b j / k) f(j) g(k - j), over 1 - a f(0); a and b are those of the number."""
    if size is None:
        a, b = np.zeros_like(rate), rate
        nothing = np.exp(rate * (uses[:, 0] - 1))
    else:
        a = rate / (size + rate)
        b = a * (size - 1)
        nothing = ((1 - a) / (1 - a * uses[:, 0])) ** size
    total = np.zeros((len(rate), units_max + 1))
    total[:, 0] = nothing
    largest = uses.shape[1] - 1
    for k in range(1, units_max + 1):
        j = np.arange(1, min(k, largest) + 1)
        factor = (a[:, None] + b[:, None] * j / k) * uses[:, j]
        total[:, k] = (factor * total[:, k - j]).sum(axis=1) / (1 - a * uses[:, 0])
    return total


def _added_to_itself(distribution: FloatArray) -> FloatArray:
    units = distribution.shape[1]
    spectrum = np.fft.rfft(distribution, 2 * units, axis=1)
    both: FloatArray = np.fft.irfft(spectrum**2, 2 * units, axis=1)[:, :units]
    return np.maximum(both, 0.0)


def _require_distributions(rate: FloatArray, uses: FloatArray) -> None:
    for series in np.flatnonzero(~(np.isfinite(rate) & (rate >= 0))):
        raise ValueError(f"Series {series}: {rate[series]} jobs expected; give a number of 0 or more")
    wrong = ~(np.isfinite(uses).all(axis=1) & (uses >= 0).all(axis=1) & (np.abs(uses.sum(axis=1) - 1) < 1e-6))
    for series in np.flatnonzero(wrong):
        raise ValueError(
            f"Series {series}: the use per job is not a distribution; give probabilities that sum to 1"
        )
