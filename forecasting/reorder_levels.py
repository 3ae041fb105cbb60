"""The cheapest (s, Q) and (s, S) under discrete demand, found exactly. Pure.

Fixed cost is money per order; holding and stockout costs are money per unit and period; what is short waits
(backorders). Levels and quantities are whole units, positions may be negative. Numbers are of the kinds told
apart in `forecasting.stock_control.numeric_checks`; costs per period are computed in float and rounded once,
to 4 places.
"""

from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np

from forecasting.newsvendor import LevelCost, newsvendor_level
from forecasting.stock_control.discrete_demand import FloatArray, checked
from forecasting.stock_control.numeric_checks import require_not_negative, require_positive, rounded


@dataclass(frozen=True, slots=True)
class ReorderQuantity:
    """At position s or below, order multiples of Q until above s; and the expected cost per period."""

    reorder_point: int
    quantity: int
    cost: Decimal


@dataclass(frozen=True, slots=True)
class ReorderLevels:
    """At position s or below, order up to S; and the expected cost per period."""

    reorder_point: int
    level: int
    cost: Decimal


def cheapest_reorder_quantity(
    holding_cost: Decimal,
    stockout_cost: Decimal,
    fixed_cost: Decimal,
    demand_rate: float,
    lead_time_demand: FloatArray,
) -> ReorderQuantity:
    """The (s, Q) with the least expected cost under continuous review; fixed cost is charged per Q ordered.

    After orders the position is equally likely at each of s + 1 ... s + Q, so the cost is the mean of their
    costs plus fixed cost x rate / Q. As the cost of a level is convex, the best Q levels are found by
    taking in the cheaper neighbour while it lowers the mean. Source: Federgruen and Zheng 1992, Operations
    Research 40(4).

    `demand_rate` is units per period. Raises ValueError for holding or stockout costs or a rate that are not
    above 0, a negative fixed cost, and an array that is no distribution.
    """
    require_not_negative("Fixed cost", fixed_cost, "give what placing one order costs")
    require_positive(
        "Demand rate", demand_rate, "give the use per period; without use there is nothing to order"
    )
    level_cost = LevelCost.of(holding_cost, stockout_cost, lead_time_demand)
    lowest = highest = newsvendor_level(holding_cost, stockout_cost, lead_time_demand)
    total = float(fixed_cost) * demand_rate + level_cost.at(lowest)
    while True:
        quantity = highest - lowest + 1
        below, above = level_cost.at(lowest - 1), level_cost.at(highest + 1)
        if min(below, above) >= total / quantity:
            return ReorderQuantity(lowest - 1, quantity, rounded(total / quantity))
        if below <= above:
            lowest -= 1
        else:
            highest += 1
        total += min(below, above)


def cheapest_reorder_levels(
    holding_cost: Decimal,
    stockout_cost: Decimal,
    fixed_cost: Decimal,
    period_demand: FloatArray,
    interval_demand: FloatArray,
) -> ReorderLevels:
    """The (s, S) with the least expected cost per period under periodic review.

    `period_demand` is the demand between two reviews, `interval_demand` that of a review period + lead time
    (the same array without lead time). Source: Zheng and Federgruen 1991, Operations Research 39(4).

    Raises ValueError for holding or stockout costs that are not above 0, a negative fixed cost, an array
    that is no distribution, and a period demand that is always 0.
    """
    require_not_negative("Fixed cost", fixed_cost, "give what placing one order costs")
    level_cost = LevelCost.of(holding_cost, stockout_cost, interval_demand)
    cost = _CycleCost(level_cost, float(fixed_cost), _checked_period_demand(period_demand))

    best_level = newsvendor_level(holding_cost, stockout_cost, interval_demand)
    reorder_point = best_level - 1
    while cost.at(reorder_point, best_level) > level_cost.at(reorder_point):
        reorder_point -= 1
    least = cost.at(reorder_point, best_level)

    # A level that costs more by itself than the whole best cycle cannot be part of a better one.
    level = best_level + 1
    while level_cost.at(level) <= least:
        if cost.at(reorder_point, level) < least:
            best_level = level
            # Where orders cost nothing and levels tie, rounding must not raise s up to S.
            while reorder_point + 1 < level and cost.at(reorder_point, level) <= level_cost.at(
                reorder_point + 1
            ):
                reorder_point += 1
            least = cost.at(reorder_point, level)
        level += 1
    return ReorderLevels(reorder_point, best_level, rounded(least))


@dataclass(slots=True, eq=False)
class _CycleCost:
    """Expected cost per period of any (s, S), by renewal: one cycle goes from one order to the next."""

    level_cost: LevelCost
    fixed_cost: float
    period_demand: FloatArray
    visits: FloatArray = field(default_factory=lambda: np.empty(0))

    def at(self, reorder_point: int, level: int) -> float:
        """Fixed cost plus the costs of the positions visited in a cycle, over its expected periods."""
        count = level - reorder_point
        if count > self.visits.size:
            self.visits = _expected_visits(self.period_demand, 2 * count)
        visits = self.visits[:count]
        return float((self.fixed_cost + visits @ self.level_cost.downwards(level, count)) / visits.sum())


def _expected_visits(period_demand: FloatArray, count: int) -> FloatArray:
    """Entry j: expected number of periods in a cycle that are spent j units below S, for j below `count`."""
    leaving = 1 - period_demand[0]
    visits = np.zeros(count)
    visits[0] = 1 / leaving
    for below in range(1, count):
        steps = min(below, period_demand.size - 1)
        visits[below] = period_demand[1 : steps + 1] @ visits[below - steps : below][::-1] / leaving
    return visits


def _checked_period_demand(period_demand: FloatArray) -> FloatArray:
    period_demand = checked(period_demand)
    if period_demand[0] == 1:
        raise ValueError("Period demand is always 0; without use there is nothing to order")
    return period_demand
