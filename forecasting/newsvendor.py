"""The stock that balances having too much against having too little in one interval (newsvendor). Pure.

Holding cost is what one unit left over costs per interval, stockout cost what one unit short costs; both
are money per unit. The best level is the quantile of demand at the critical ratio, stockout / (stockout +
holding). Source: Snyder and Shen, Fundamentals of Supply Chain Theory, 2nd ed., section 4.3. Poisson demand
is `discrete_demand.poisson`; numbers are of the kinds told apart in
`forecasting.stock_control.numeric_checks`.
"""

from dataclasses import dataclass
from decimal import Decimal, localcontext
from statistics import NormalDist
from typing import Self

import numpy as np

from forecasting.stock_control.discrete_demand import FloatArray, expected_shortages, mean, quantile
from forecasting.stock_control.numeric_checks import (
    PRECISION,
    require_finite,
    require_not_negative,
    require_positive,
    require_share,
    rounded,
)

STANDARD_NORMAL = NormalDist()


def critical_ratio(holding_cost: Decimal, stockout_cost: Decimal) -> float:
    """The probability with which the best level covers demand.

    Raises ValueError when a cost is not above 0, or one is so much larger that the ratio is 0 or 1.
    """
    require_positive("Holding cost", holding_cost, "give what one unit costs to keep for an interval")
    require_positive("Stockout cost", stockout_cost, "give what one missing unit costs")
    with localcontext(prec=PRECISION):
        ratio = float(stockout_cost / (stockout_cost + holding_cost))
    require_share(
        f"Critical ratio of stockout cost {stockout_cost} and holding cost {holding_cost}:",
        ratio,
        "bring the two costs closer together",
    )
    return ratio


def newsvendor_level(holding_cost: Decimal, stockout_cost: Decimal, demand: FloatArray) -> int:
    """The level, in whole units, with the least expected cost under a discrete demand distribution.

    Raises ValueError for costs that are not above 0 and for an array that is no distribution.
    """
    return quantile(demand, critical_ratio(holding_cost, stockout_cost))


def newsvendor_cost(level: int, holding_cost: Decimal, stockout_cost: Decimal, demand: FloatArray) -> Decimal:
    """Expected holding and stockout cost of a level in one interval; the level may be negative (owed).

    Raises ValueError as `newsvendor_level` does.
    """
    return rounded(LevelCost.of(holding_cost, stockout_cost, demand).at(level))


def normal_newsvendor_level(holding_cost: Decimal, stockout_cost: Decimal, demand: NormalDist) -> Decimal:
    """The level with the least expected cost under normal demand, in stock units; may be negative.

    Raises ValueError for costs that are not above 0 and for a mean or deviation that is not finite.
    """
    _require_finite_demand(demand)
    z = STANDARD_NORMAL.inv_cdf(critical_ratio(holding_cost, stockout_cost))
    return rounded(demand.mean + z * demand.stdev)


def normal_newsvendor_cost(
    level: Decimal, holding_cost: Decimal, stockout_cost: Decimal, demand: NormalDist
) -> Decimal:
    """Expected holding and stockout cost of a level in one interval under normal demand.

    Raises ValueError as `normal_newsvendor_level` does, and for a level that is not finite.
    """
    require_finite("Level", level, "give the stock to evaluate")
    _require_finite_demand(demand)
    critical_ratio(holding_cost, stockout_cost)
    surplus = float(level) - demand.mean
    shortage = _normal_expected_shortage(surplus, demand.stdev)
    holding, stockout = float(holding_cost), float(stockout_cost)
    return rounded(holding * (surplus + shortage) + stockout * shortage)


@dataclass(frozen=True, slots=True, eq=False)
class LevelCost:
    """Expected holding and stockout cost of any level in one interval, for searches over levels."""

    holding: float
    stockout: float
    demand_mean: float
    shortages: FloatArray

    @classmethod
    def of(cls, holding_cost: Decimal, stockout_cost: Decimal, demand: FloatArray) -> Self:
        """Raises ValueError for costs that are not above 0 and for an array that is no distribution."""
        critical_ratio(holding_cost, stockout_cost)
        return cls(float(holding_cost), float(stockout_cost), mean(demand), expected_shortages(demand))

    def downwards(self, level: int, count: int) -> FloatArray:
        """Costs of level, level - 1, level - 2, ...: `count` of them."""
        levels = np.arange(level, level - count, -1)
        # Above the largest possible demand nothing is short, as in the last entry; below 0 all demand is.
        known = self.shortages[np.clip(levels, 0, self.shortages.size - 1)]
        shortages = np.where(levels < 0, self.demand_mean - levels, known)
        costs: FloatArray = self.holding * (levels - self.demand_mean + shortages) + self.stockout * shortages
        return costs

    def at(self, level: int) -> float:
        """Cost of one level."""
        return float(self.downwards(level, 1)[0])


def _require_finite_demand(demand: NormalDist) -> None:
    require_finite("Mean demand", demand.mean, "correct the forecast that made it")
    require_not_negative("Deviation of demand", demand.stdev, "correct the forecast that made it")


def _normal_expected_shortage(surplus: float, deviation: float) -> float:
    """Expected units short when stock exceeds the mean by `surplus`: the normal loss function."""
    if deviation == 0:
        return max(-surplus, 0.0)
    z = surplus / deviation
    return deviation * (STANDARD_NORMAL.pdf(z) - z * STANDARD_NORMAL.cdf(-z))
