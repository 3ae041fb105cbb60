"""Exponential smoothing of whole panels: level and intermittent demand, all series at once. Pure.

Demand is (series, periods), oldest first. Each function returns the expected demand per period as known
before each of the ascending `origins`: (origins, series). A period that is not observed changes
nothing. Start values: the first observed demand, size and interval.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from forecasting.arrays import BoolArray, FloatArray

ALPHA = 0.1


def simple(
    demand: FloatArray, observed: BoolArray, origins: Sequence[int], alpha: float = ALPHA
) -> FloatArray:
    """Simple exponential smoothing (Brown 1956)."""
    return np.stack(list(_smoothed(demand, observed, origins, alpha)))


def croston(
    demand: FloatArray, observed: BoolArray, origins: Sequence[int], alpha: float = ALPHA
) -> FloatArray:
    """Smoothed size over smoothed interval, both changed where there is demand (Croston 1972)."""
    some = observed & (demand > 0)
    periods_since = np.empty_like(demand)
    waited = np.zeros(len(demand))
    for period in range(demand.shape[1]):
        waited += observed[:, period]
        periods_since[:, period] = waited
        waited[some[:, period]] = 0
    sizes = simple(demand, some, origins, alpha)
    intervals = simple(periods_since, some, origins, alpha)
    return np.divide(sizes, intervals, out=np.zeros_like(sizes), where=intervals > 0)


def syntetos_boylan(
    demand: FloatArray, observed: BoolArray, origins: Sequence[int], alpha: float = ALPHA
) -> FloatArray:
    """Croston's without its bias: times 1 - alpha / 2 (Syntetos and Boylan 2005)."""
    return (1 - alpha / 2) * croston(demand, observed, origins, alpha)


def teunter_syntetos_babai(
    demand: FloatArray,
    observed: BoolArray,
    origins: Sequence[int],
    alpha_size: float = ALPHA,
    alpha_chance: float = ALPHA,
) -> FloatArray:
    """Smoothed size times the smoothed chance of demand (Teunter, Syntetos and Babai 2011); it can fade."""
    some = observed & (demand > 0)
    chance = simple(some.astype(float), observed, origins, alpha_chance)
    return chance * simple(demand, some, origins, alpha_size)


def _smoothed(
    values: FloatArray, counts: BoolArray, origins: Sequence[int], alpha: float
) -> Iterator[FloatArray]:
    level, started = np.zeros(len(values)), np.zeros(len(values), dtype=bool)
    done = 0
    for origin in origins:
        for period in range(done, origin):
            moved = np.where(started, level + alpha * (values[:, period] - level), values[:, period])
            level = np.where(counts[:, period], moved, level)
            started |= counts[:, period]
        done = origin
        yield level
