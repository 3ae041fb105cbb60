"""Poisson demand as a distribution over whole units, to try policies on."""

import math

import numpy as np
from scipy import stats

from forecasting.arrays import FloatArray
from forecasting.stock_control.discrete_demand import checked


def poisson(rate: float, periods: float) -> FloatArray:
    """Return Poisson demand at `rate` units per period over a number of periods: a lead time, an interval.

    The array reaches 10 deviations and 30 units above the mean; the tail beyond has a probability below
    1e-20.
    """
    mean = rate * periods
    units = np.arange(math.ceil(mean + 10 * math.sqrt(mean)) + 31)
    return checked(np.asarray(stats.poisson.pmf(units, mean), dtype=np.float64))
