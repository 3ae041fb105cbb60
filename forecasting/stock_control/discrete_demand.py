"""Demand as a distribution over whole units: an array whose entry k is the probability of k units. Pure.

Every array is one-dimensional and float, and its entries sum to 1 (within 1e-6, for a truncated tail; they
are then scaled to sum to 1). A unit is what stock is handed out in: one disc, or one 250 ml bottle.
"""

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.stock_control.numeric_checks import require_share

SUM_TOLERANCE = 1e-6
# A running sum that misses its target by rounding alone must not cost a whole unit of stock.
QUANTILE_TOLERANCE = 1e-12


def checked(demand: FloatArray) -> FloatArray:
    """The same distribution, scaled to sum to exactly 1.

    Raises ValueError for an array that is not a distribution: wrong shape, empty, a negative, NaN or infinite
    entry, or a sum that is not 1.
    """
    if demand.ndim != 1 or demand.size == 0:
        raise ValueError(
            f"Demand distribution of shape {demand.shape} is not a row of probabilities; "
            "give one entry for each number of units from 0"
        )
    for units in np.flatnonzero(~(np.isfinite(demand) & (demand >= 0))):
        raise ValueError(
            f"Demand distribution: probability {demand[units]} of {units} units is not a number from 0 to 1; "
            "correct the forecast that made it"
        )
    total = float(demand.sum())
    if abs(total - 1) > SUM_TOLERANCE:
        raise ValueError(
            f"Demand distribution: the probabilities sum to {total}, not to 1; "
            "let the array reach further up, or correct the forecast that made it"
        )
    return demand / total


def quantile(demand: FloatArray, probability: float) -> int:
    """The fewest units that demand does not exceed with at least the given probability.

    Raises ValueError unless 0 < probability < 1, or when the array is not a distribution.
    """
    require_share("Service level", probability, "choose a share such as 0.95; no stock is certain to last")
    reached = np.cumsum(checked(demand)) >= probability - QUANTILE_TOLERANCE
    return int(np.argmax(reached)) if reached.any() else demand.size - 1


def exceedances(demand: FloatArray) -> FloatArray:
    """Entry k: the probability of demand above k units. Same shape as the distribution.

    Summed from the tail, so that small probabilities keep their digits.
    """
    at_least = np.cumsum(checked(demand)[::-1])[::-1]
    return np.append(at_least[1:], 0.0)


def expected_shortages(demand: FloatArray) -> FloatArray:
    """Entry k: the expected units of demand beyond a stock of k. Same shape as the distribution."""
    return np.cumsum(exceedances(demand)[::-1])[::-1]
