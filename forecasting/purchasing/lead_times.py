"""How long a supplier takes, learned from its deliveries. Pure.

What the supplier says counts as some deliveries that came on the stated day, so that the first real ones
move the estimate a little and many of them decide it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from forecasting.stock_control.numeric_checks import require_not_negative, require_positive

# Deliveries that the stated lead time counts as, and how far these lie around it, as a share of it: a choice
# of ours, no source. Three seen deliveries weigh as much as the supplier's word.
STATED_WEIGHT = 3
STATED_SPREAD = 0.2
# The three-point Gauss-Hermite rule: deviations from the mean, and weights. It has the mean and deviation of
# the normal distribution, and its moments up to the fifth. Source: Abramowitz and Stegun, Handbook of
# Mathematical Functions, table 25.10 (n = 3), scaled to the standard normal.
POINTS = ((-math.sqrt(3), 1 / 6), (0.0, 2 / 3), (math.sqrt(3), 1 / 6))


@dataclass(frozen=True, slots=True)
class LeadTime:
    """Days from order to receipt: mean and deviation, what the supplier says, and deliveries seen."""

    mean_days: float
    deviation_days: float
    stated_days: int
    seen: int

    def points(self) -> tuple[tuple[float, float], ...]:
        """Return lead times, in days, with the probability of each; they never come before the order."""
        if self.deviation_days == 0:
            return ((self.mean_days, 1.0),)
        return tuple(
            (max(self.mean_days + step * self.deviation_days, 0.0), weight) for step, weight in POINTS
        )


def learned_lead_time(stated_days: int, observed_days: Sequence[Decimal]) -> LeadTime:
    """Shrink mean and variance of the observed lead times towards the stated one.

    The mean of both together, weighted by their numbers; the variance is that of the same mixture about it.
    Raises ValueError for a stated lead time that is not above 0 and for a negative observed one.
    """
    require_positive("Stated lead time", stated_days, "give the days the supplier says it takes")
    for days in observed_days:
        require_not_negative("Observed lead time", days, "correct the day of the order or of the receipt")
    observed = [float(days) for days in observed_days]
    weight = STATED_WEIGHT + len(observed)
    mean = (STATED_WEIGHT * stated_days + sum(observed)) / weight
    stated_variance = (STATED_SPREAD * stated_days) ** 2 + (stated_days - mean) ** 2
    variance = (STATED_WEIGHT * stated_variance + sum((days - mean) ** 2 for days in observed)) / weight
    return LeadTime(mean, math.sqrt(variance), stated_days, len(observed))
