"""How much stock must last the protection interval, at a given service level. Pure.

The service level is the probability that no unit is missing in one protection interval (cycle service). The
interval is the lead time under continuous review, and review period + lead time under periodic review. All
lengths of time are in the periods in which demand is given; numbers are of the kinds told apart in
`forecasting.stock_control.numeric_checks`.
"""

import math
from decimal import Decimal
from statistics import NormalDist

from forecasting.stock_control.discrete_demand import FloatArray, quantile
from forecasting.stock_control.numeric_checks import (
    require_finite,
    require_not_negative,
    require_share,
    rounded,
)

STANDARD_NORMAL = NormalDist()


def interval_demand(
    demand_mean: float,
    demand_sd: float,
    lead_time_mean: float,
    lead_time_sd: float = 0.0,
    review_period: float = 0.0,
) -> NormalDist:
    """Normal demand over review period + lead time when demand per period and lead time vary independently.

    The variance is (R + L) sd_d^2 + d^2 sd_L^2. Source: Hadley and Whitin, Analysis of Inventory Systems;
    Silver, Pyke and Thomas, Inventory and Production Management in Supply Chains.
    Raises ValueError for any value that is negative, NaN or infinite.
    """
    for thing, value, remedy in (
        ("Mean demand", demand_mean, "give the mean use per period, 0 or more"),
        ("Deviation of demand", demand_sd, "give the standard deviation per period, 0 or more"),
        ("Lead time", lead_time_mean, "give the mean time from order to receipt, 0 or more"),
        ("Deviation of lead time", lead_time_sd, "give its standard deviation, 0 when it never varies"),
        ("Review period", review_period, "give the time between reviews, 0 for continuous review"),
    ):
        require_not_negative(thing, value, remedy)
    interval = review_period + lead_time_mean
    variance = interval * demand_sd**2 + demand_mean**2 * lead_time_sd**2
    return NormalDist(demand_mean * interval, math.sqrt(variance))


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

    Poisson demand of an interval is `discrete_demand.poisson(rate, interval)`.
    Raises ValueError unless 0 < service_level < 1, and for an array that is no distribution.
    """
    return quantile(demand, service_level)
