"""Ordering one supplier's items together, to share the cost of an order (joint replenishment). Pure.

An order is placed every base cycle; item n joins every multiple m_n of it. Each order has a shared cost, and
an individual one for each item in it. All amounts are Decimal; results have 4 places.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext

from forecasting.stock_control.numeric_checks import require_not_negative, require_positive, rounded
from inventory.decimals import PRECISION


@dataclass(frozen=True, slots=True)
class JointItem:
    """One item of the supplier.

    `fixed_cost` is money per order that the item joins, `holding_cost` money per unit and period,
    `demand_rate` stock units per period.
    """

    name: str
    fixed_cost: Decimal
    holding_cost: Decimal
    demand_rate: Decimal


@dataclass(frozen=True, slots=True)
class JointPlan:
    """Periods between orders; each item's multiple and quantity, in the order given; cost per period."""

    base_cycle: Decimal
    multiples: tuple[int, ...]
    quantities: tuple[Decimal, ...]
    cost: Decimal


def joint_replenishment(shared_cost: Decimal, items: Sequence[JointItem]) -> JointPlan:
    """A cheap joint plan by Silver's heuristic; it is near the least cost, not always at it.

    The item that would be ordered most often alone joins each order; the others join at the multiple that
    their own economic cycle suggests, rounded half to even and at least 1; then the base cycle is the best
    for these multiples. Source: Silver 1976, Management Science 22(12); Snyder and Shen, Fundamentals of
    Supply Chain Theory, 2nd ed., chapter 3.

    Raises ValueError without items, when the shared cost, a holding cost or a demand rate is not above 0,
    or when an individual cost is negative.
    """
    require_positive(
        "Shared cost", shared_cost, "give what an order costs; when it costs nothing, order items singly"
    )
    if not items:
        raise ValueError("Joint replenishment: there are no items; give the items of one supplier")
    for item in items:
        require_not_negative(
            f"{item.name}: fixed cost", item.fixed_cost, "give what adding it to an order costs"
        )
        require_positive(
            f"{item.name}: holding cost", item.holding_cost, "give what keeping a unit for a period costs"
        )
        require_positive(f"{item.name}: demand rate", item.demand_rate, "leave out an item that is not used")
    with localcontext(prec=PRECISION):
        # Money per period and base cycle that an item's stock costs at multiple 1, doubled.
        holding = [item.holding_cost * item.demand_rate for item in items]
        ratios = [item.fixed_cost / cost for item, cost in zip(items, holding, strict=True)]
        leader = ratios.index(min(ratios))
        leading = holding[leader] / (shared_cost + items[leader].fixed_cost)
        # The leader's own root is below 1, so that it joins each order.
        multiples = [max(1, int((ratio * leading).sqrt().to_integral_value())) for ratio in ratios]
        per_order = shared_cost + sum(item.fixed_cost / m for item, m in zip(items, multiples, strict=True))
        held = sum(cost * m for cost, m in zip(holding, multiples, strict=True))
        base_cycle = (2 * per_order / held).sqrt()
        return JointPlan(
            base_cycle=rounded(base_cycle),
            multiples=tuple(multiples),
            quantities=tuple(
                rounded(base_cycle * m * item.demand_rate) for item, m in zip(items, multiples, strict=True)
            ),
            cost=rounded(per_order / base_cycle + held * base_cycle / 2),
        )
