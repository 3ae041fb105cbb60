"""How much stock must last the protection interval, at a given service level. Pure.

The service level is the probability that no unit is missing in one protection interval (cycle service). The
interval is the lead time under continuous review, and review period + lead time under periodic review. All
lengths of time are in the periods in which demand is given; numbers are of the kinds distinguished in
`forecasting.stock_control.numeric_checks`.
"""

from decimal import Decimal
from statistics import NormalDist

from forecasting.arrays import FloatArray
from forecasting.stock_control.discrete_demand import quantile
from forecasting.stock_control.numeric_checks import (
    require_finite,
    require_not_negative,
    require_share,
    rounded,
)

STANDARD_NORMAL = NormalDist()


def safety_stock(service_level: float, demand: NormalDist) -> Decimal:
    """Stock beyond the mean demand of the interval: z x deviation, negative below a service of 0.5.

    Raises ValueError unless 0 < service_level < 1, and for a deviation that is not finite.
    """
    require_share("Service level", service_level, "choose a share such as 0.95; no stock is certain to last")
    require_not_negative("Deviation of demand", demand.stdev, "correct the forecast that made it")
    return rounded(STANDARD_NORMAL.inv_cdf(service_level) * demand.stdev)


def normal_base_stock(service_level: float, demand: NormalDist) -> Decimal:
    """Mean demand of the interval plus safety stock: the reorder point s, or S under periodic review.

    Raises ValueError as `safety_stock` does, and for a mean that is not finite.
    """
    require_finite("Mean demand", demand.mean, "correct the forecast that made it")
    return rounded(demand.mean) + safety_stock(service_level, demand)


def base_stock(service_level: float, demand: FloatArray) -> int:
    """The fewest whole units that last the interval at the service level, for any discrete demand.

    Raises ValueError unless 0 < service_level < 1, and for an array that is not a distribution.
    """
    return quantile(demand, service_level)
