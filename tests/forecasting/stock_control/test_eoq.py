"""Order quantities against stockpyl over random instances, and against every other quantity nearby."""

from collections.abc import Callable
from decimal import Decimal
from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stockpyl import eoq

from forecasting.stock_control.eoq import (
    DiscountedQuantity,
    QuantityDiscount,
    order_quantity_with_all_units_discount,
    order_quantity_with_incremental_discount,
)
from tests.oracles.joint_replenishment import JointItem, joint_replenishment

D = Decimal

fixed_costs = st.decimals(D("0.5"), 500, places=2)
holding_costs = st.decimals(D("0.01"), 20, places=4)
demand_rates = st.decimals(D("0.1"), 5000, places=4)
holding_rates = st.decimals(D("0.001"), 1, places=4)


@st.composite
def price_breaks(draw: st.DrawFn) -> list[QuantityDiscount]:
    """One to four breaks from 0 up, the unit cost falling strictly."""
    widths = draw(st.lists(st.integers(1, 800), max_size=3))
    unit_cost = draw(st.decimals(1, 50, places=2))
    breaks = [QuantityDiscount(D(0), unit_cost)]
    for width in widths:
        unit_cost *= draw(st.decimals(D("0.6"), D("0.995"), places=3))
        breaks.append(QuantityDiscount(breaks[-1].from_quantity + width, unit_cost))
    return breaks


def purchase_cost(quantity: float, breaks: list[QuantityDiscount], *, incremental: bool) -> float:
    """What an order of the quantity costs to buy, summed break by break."""
    if not incremental:
        reached = [price for price in breaks if float(price.from_quantity) <= quantity]
        return quantity * float(reached[-1].unit_cost)
    ends = [float(price.from_quantity) for price in breaks[1:]] + [float("inf")]
    return sum(
        float(price.unit_cost) * max(0.0, min(quantity, end) - float(price.from_quantity))
        for price, end in zip(breaks, ends, strict=True)
    )


def cost_per_period(
    quantity: float,
    fixed: Decimal,
    rate: Decimal,
    demand: Decimal,
    breaks: list[QuantityDiscount],
    *,
    incremental: bool,
) -> float:
    bought = purchase_cost(quantity, breaks, incremental=incremental)
    return (float(fixed) + bought) * float(demand) / quantity + float(rate) * bought / 2


def assert_close(answer: Decimal, expected: float) -> None:
    """Equal except for the rounding to 4 places and that of float arithmetic."""
    assert float(answer) == pytest.approx(expected, rel=1e-9, abs=0.000051)


@pytest.mark.parametrize(
    "of", [order_quantity_with_all_units_discount, order_quantity_with_incremental_discount]
)
@given(fixed_costs, holding_costs, demand_rates)
def test_at_one_price_it_is_the_economic_order_quantity_of_stockpyl(
    of: Callable[..., DiscountedQuantity], fixed: Decimal, holding: Decimal, demand: Decimal
) -> None:
    answer = of(fixed, holding, demand, [QuantityDiscount(D(0), D(1))])
    quantity, cost = eoq.economic_order_quantity(float(fixed), float(holding), float(demand))
    assert_close(answer.quantity, quantity)
    assert_close(answer.cost, cost + float(demand))


@pytest.mark.parametrize("incremental", [False, True])
@given(fixed_costs, holding_rates, demand_rates, price_breaks())
def test_discounted_quantity_agrees_with_stockpyl(
    incremental: bool, fixed: Decimal, rate: Decimal, demand: Decimal, breaks: list[QuantityDiscount]
) -> None:
    ours, theirs = (
        (order_quantity_with_incremental_discount, eoq.economic_order_quantity_with_incremental_discounts)
        if incremental
        else (order_quantity_with_all_units_discount, eoq.economic_order_quantity_with_all_units_discounts)
    )
    answer = ours(fixed, rate, demand, breaks)
    _, _, cost = theirs(
        float(fixed),
        float(rate),
        float(demand),
        [float(price.from_quantity) for price in breaks],
        [float(price.unit_cost) for price in breaks],
    )
    # Two quantities may cost the same, so the costs are compared, and the cost is that of our quantity.
    assert_close(answer.cost, cost)
    quantity = float(answer.quantity)
    assert answer.price_break in breaks
    assert answer.price_break.from_quantity <= answer.quantity
    at_answer = cost_per_period(quantity, fixed, rate, demand, breaks, incremental=incremental)
    assert float(answer.cost) == pytest.approx(at_answer, rel=1e-6, abs=0.001)


@pytest.mark.parametrize("incremental", [False, True])
@settings(max_examples=50)
@given(fixed_costs, holding_rates, demand_rates, price_breaks())
def test_no_quantity_is_cheaper_than_the_discounted_one(
    incremental: bool, fixed: Decimal, rate: Decimal, demand: Decimal, breaks: list[QuantityDiscount]
) -> None:
    ours = order_quantity_with_incremental_discount if incremental else order_quantity_with_all_units_discount
    answer = ours(fixed, rate, demand, breaks)
    tried = [float(answer.quantity) * factor for factor in np.geomspace(0.01, 100, 80)]
    tried += [float(price.from_quantity) for price in breaks[1:]]
    cheapest = min(
        cost_per_period(quantity, fixed, rate, demand, breaks, incremental=incremental) for quantity in tried
    )
    assert float(answer.cost) <= cheapest * (1 + 1e-9) + 0.0001


def test_among_equal_costs_the_smaller_quantity_is_ordered() -> None:
    # Below the break 20 units cost 1 + 8 / 20 + 0.04 x 20 / 2 = 1.80 a period; at the break
    # 0.82 + 8 / 50 + 0.04 x 0.82 x 50 / 2 = 1.80 as well.
    breaks = [QuantityDiscount(D(0), D(1)), QuantityDiscount(D(50), D("0.82"))]
    answer = order_quantity_with_all_units_discount(D(8), D("0.04"), D(1), breaks)
    assert (answer.quantity, answer.cost) == (D(20), D("1.80"))


@pytest.mark.parametrize(
    "discount", [order_quantity_with_all_units_discount, order_quantity_with_incremental_discount]
)
def test_a_break_that_lowers_nothing_is_named_when_the_order_reaches_it(
    discount: Callable[[Decimal, Decimal, Decimal, list[QuantityDiscount]], DiscountedQuantity],
) -> None:
    breaks = [QuantityDiscount(D(0), D(1)), QuantityDiscount(D(10), D(1)), QuantityDiscount(D(50), D(1))]
    assert discount(D(8), D("0.04"), D(1), breaks) == DiscountedQuantity(D(20), breaks[1], D("1.8"))


def random_items(random: np.random.Generator) -> list[JointItem]:
    def amount(least: float, most: float) -> Decimal:
        return D(str(round(float(random.uniform(least, most)), 4)))

    count = int(random.integers(1, 9))
    return [JointItem(str(n), amount(0, 500), amount(0.05, 50), amount(0.1, 40)) for n in range(count)]


@pytest.mark.parametrize("seed", range(60))
def test_joint_replenishment_agrees_with_stockpyl(seed: int) -> None:
    random = np.random.default_rng(seed)
    items = random_items(random)
    shared = D(str(round(float(random.uniform(1, 900)), 2)))
    plan = joint_replenishment(shared, items)
    quantities, base_cycle, multiples, cost = eoq.joint_replenishment_problem_silver_heuristic(
        float(shared),
        [float(item.fixed_cost) for item in items],
        [float(item.holding_cost) for item in items],
        [float(item.demand_rate) for item in items],
    )
    assert list(plan.multiples) == multiples
    assert_close(plan.base_cycle, base_cycle)
    assert_close(plan.cost, cost)
    for ours, theirs in zip(plan.quantities, quantities, strict=True):
        assert_close(ours, theirs)


@pytest.mark.parametrize("seed", range(20))
def test_ordering_together_costs_no_more_than_ordering_singly(seed: int) -> None:
    random = np.random.default_rng(1000 + seed)
    items = random_items(random)
    plan = joint_replenishment(D(300), items)
    single = sum(
        sqrt(2 * float((300 + item.fixed_cost) * item.holding_cost * item.demand_rate)) for item in items
    )
    # The cost that is left when joining an order costs its own fixed cost alone is out of reach.
    free = sum(sqrt(2 * float(item.fixed_cost * item.holding_cost * item.demand_rate)) for item in items)
    assert free < plan.cost <= single + 0.0001 * len(items)
