"""What all vans together will burn of a consumable over any number of days. Pure.

Forecasts are stored for whole weeks ahead, as quantiles at given probabilities; see `stored_demand`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, localcontext
from itertools import pairwise

import numpy as np

from forecasting.amounts import PRECISION, ZERO, require_not_negative, rounded
from forecasting.discrete_demand import FloatArray
from forecasting.purchasing.lead_times import LeadTime
from forecasting.stored_demand import masses

DAYS_A_WEEK = 7
Quantiles = tuple[Decimal, ...]


@dataclass(frozen=True, slots=True)
class BurnAhead:
    """Mean and quantiles of the burn by weeks ahead, in stock units; a quantile for each of `levels`."""

    levels: tuple[float, ...]
    means: Mapping[int, Decimal]
    quantiles: Mapping[int, Quantiles]

    @property
    def per_day(self) -> Decimal:
        """The mean burn of a day, over the longest time that was forecast; 0 without a forecast."""
        if not self.means:
            return ZERO
        weeks = max(self.means)
        with localcontext(prec=PRECISION):
            return self.means[weeks] / (weeks * DAYS_A_WEEK)

    def over(self, days: float) -> Quantiles:
        """Return the quantiles of the burn over a time.

        Between two forecast times each quantile lies in proportion, from none at 0 days; beyond the longest
        it grows with time. That is wider than chance alone would make it, as the burn itself may change.
        Raises ValueError for a negative time.
        """
        require_not_negative("Days ahead", days, "give the days from today")
        if not self.quantiles:
            return (ZERO,) * len(self.levels)
        nothing = (ZERO,) * len(self.levels)
        known = [
            (0, nothing),
            *((weeks * DAYS_A_WEEK, self.quantiles[weeks]) for weeks in sorted(self.quantiles)),
        ]
        exact = Decimal(days)
        with localcontext(prec=PRECISION):
            for (start, low), (end, high) in pairwise(known):
                if exact <= end:
                    share = (exact - start) / (end - start)
                    return tuple(rounded(a + share * (b - a)) for a, b in zip(low, high, strict=True))
            longest, last = known[-1]
            return tuple(rounded(quantile * exact / longest) for quantile in last)

    def until_received(self, lead_time: LeadTime, review_days: int, unit: Decimal) -> FloatArray:
        """Return the probability of needing k units over a review period and a lead time that varies.

        The burn over each lead time that may be, mixed by their probabilities.
        """
        mixed = np.zeros(0)
        for days, weight in lead_time.points():
            needed = masses(self.levels, self.over(review_days + days), unit)
            longer = np.zeros(max(mixed.size, needed.size))
            longer[: mixed.size] += mixed
            longer[: needed.size] += weight * needed
            mixed = longer
        return mixed
