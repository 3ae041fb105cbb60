"""What all vans together will burn of a consumable over any number of days. Pure.

Forecasts are stored for whole weeks ahead, as quantiles at given probabilities; see `stored_demand`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, localcontext

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.purchasing.lead_times import LeadTime
from forecasting.replenishment.protection_interval import Quantiles, over_days
from forecasting.stock_control.numeric_checks import require_not_negative, rounded
from forecasting.stock_control.quantile_demand import masses
from inventory.decimals import PRECISION, ZERO
from inventory.weeks import DAYS_A_WEEK


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
        """Return the quantiles of the burn over a time, in whole days rounded up.

        Within the weeks that were forecast as in `forecasting.replenishment.protection_interval`; beyond
        them each
        grows in proportion to time: wider than chance alone would make it, as the burn itself may change.
        Raises ValueError for a negative time.
        """
        require_not_negative("Days ahead", days, "give the days from today")
        if not self.quantiles or days == 0:
            return (ZERO,) * len(self.levels)
        longest = max(self.quantiles)
        with localcontext(prec=PRECISION):
            times = max(Decimal(days) / (longest * DAYS_A_WEEK), Decimal(1))
            within = min(math.ceil(days), longest * DAYS_A_WEEK)
            found = over_days(self.quantiles, self.levels, within)
            return tuple(rounded(times * quantile) for quantile in found)

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
