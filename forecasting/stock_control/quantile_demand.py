"""Demand as it is stored, quantiles at given probabilities, read as a distribution. Pure.

`levels` are probabilities that rise between 0 and 1, `quantiles` the demand that each of them is not
exceeded with, in stock units, 0 or more and never falling. Between two quantiles demand is assumed to be
spread evenly; beyond the last one it is assumed to be that one.
"""

import math
from collections.abc import Sequence
from decimal import Decimal

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.stock_control.discrete_demand import checked
from forecasting.stock_control.numeric_checks import require_not_negative, require_positive, require_share
from inventory.decimals import ZERO

# Levels that differ by rounding alone are the same.
LEVEL_TOLERANCE = 1e-9


def quantile_at(levels: Sequence[float], quantiles: Sequence[Decimal], level: float) -> Decimal:
    """Return the first stored quantile at or above a level: demand stays at or under it at least so often.

    Nothing is read between two quantiles: demand counted in whole units takes no value there, and what lies
    in proportion between them may hold less often than `level`.
    Raises ValueError unless 0 < level < 1, for a level above the highest stored, and for quantiles that fall
    or are negative.
    """
    require_share("Level", level, "choose a share such as 0.95")
    _require_quantiles(levels, quantiles)
    for stored, quantile in zip(levels, quantiles, strict=True):
        if stored >= level - LEVEL_TOLERANCE:
            return quantile
    raise ValueError(
        f"Level {level} is above {max(levels, default=0)}, the highest that was forecast; choose a lower one"
    )


def masses(levels: Sequence[float], quantiles: Sequence[Decimal], unit: Decimal) -> FloatArray:
    """Return the probability of needing k usable units, entry k from 0: k is demand / unit, rounded up.

    Raises ValueError for a unit that is not above 0, and for quantiles that fall or are negative.
    """
    require_positive("Usable unit", unit, "give 1 for single units")
    _require_quantiles(levels, quantiles)
    most = math.ceil(quantiles[-1] / unit)
    edges = np.arange(most + 1) * float(unit)
    # Of levels with the same quantile the highest says how likely demand is not to exceed it.
    points: dict[float, float] = {0.0: 0.0}
    for level, quantile in zip(levels, quantiles, strict=True):
        points[float(quantile)] = level
    below = np.interp(edges, list(points), list(points.values()))
    below[edges >= float(quantiles[-1]) - LEVEL_TOLERANCE] = 1.0
    return checked(np.diff(below, prepend=0.0))


def _require_quantiles(levels: Sequence[float], quantiles: Sequence[Decimal]) -> None:
    before = ZERO
    for level, quantile in zip(levels, quantiles, strict=True):
        require_not_negative(f"Quantile at {level}", quantile, "correct the forecast that made it")
        if quantile < before:
            raise ValueError(f"Quantile at {level} is {quantile}, below {before} before it; sort them")
        before = quantile
