"""Levels and reorder points against stockpyl, plain enumeration and the stationary chain of the policy."""

from decimal import Decimal
from itertools import product
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stockpyl import newsvendor, rq, ss

from forecasting.newsvendor import (
    newsvendor_cost,
    newsvendor_level,
    normal_newsvendor_cost,
    normal_newsvendor_level,
)
from forecasting.reorder_levels import cheapest_reorder_levels, cheapest_reorder_quantity
from forecasting.stock_control.discrete_demand import (
    FloatArray,
    exceedances,
    expected_shortages,
    mean,
    poisson,
    quantile,
)
from forecasting.stock_control.safety_stock import (
    base_stock,
    interval_demand,
    normal_base_stock,
    safety_stock,
)

D = Decimal

costs = st.decimals(D("0.05"), 50, places=2)
means = st.floats(0.5, 400)
deviations = st.floats(0.1, 100)


@st.composite
def distributions(draw: st.DrawFn) -> FloatArray:
    """Up to 12 weights over 0, 1, 2, ... units, some of them 0."""
    weights = draw(st.lists(st.integers(0, 9), min_size=1, max_size=12).filter(any))
    return np.array(weights) / sum(weights)


def enumerated_cost(level: int, holding: Decimal, stockout: Decimal, demand: FloatArray) -> float:
    """Expected cost of a level, summed over each possible demand."""
    return sum(
        float(probability) * float(holding * max(level - units, 0) + stockout * max(units - level, 0))
        for units, probability in enumerate(demand)
    )


@given(costs, costs, means, deviations)
def test_normal_newsvendor_agrees_with_stockpyl(
    holding: Decimal, stockout: Decimal, demand_mean: float, deviation: float
) -> None:
    demand = NormalDist(demand_mean, deviation)
    level = normal_newsvendor_level(holding, stockout, demand)
    theirs, cost = newsvendor.newsvendor_normal(float(holding), float(stockout), demand_mean, deviation)
    assert float(level) == pytest.approx(theirs, rel=1e-9, abs=0.000051)
    assert float(normal_newsvendor_cost(level, holding, stockout, demand)) == pytest.approx(cost, abs=0.0002)


@given(costs, costs, means, deviations, st.decimals(-50, 600, places=2))
def test_normal_newsvendor_cost_of_any_level_agrees_with_stockpyl(
    holding: Decimal, stockout: Decimal, demand_mean: float, deviation: float, level: Decimal
) -> None:
    ours = normal_newsvendor_cost(level, holding, stockout, NormalDist(demand_mean, deviation))
    theirs = newsvendor.newsvendor_normal_cost(
        float(level), float(holding), float(stockout), demand_mean, deviation
    )
    assert float(ours) == pytest.approx(theirs, rel=1e-9, abs=0.000051)


@settings(max_examples=60)
@given(costs, costs, st.floats(0.05, 120), st.integers(0, 150))
def test_poisson_newsvendor_agrees_with_stockpyl(
    holding: Decimal, stockout: Decimal, demand_mean: float, other_level: int
) -> None:
    demand = poisson(demand_mean, 1)
    theirs, cost = newsvendor.newsvendor_poisson(float(holding), float(stockout), demand_mean)
    level = newsvendor_level(holding, stockout, demand)
    assert level == theirs
    assert float(newsvendor_cost(level, holding, stockout, demand)) == pytest.approx(cost, abs=0.000051)
    elsewhere = newsvendor.newsvendor_poisson_cost(other_level, float(holding), float(stockout), demand_mean)
    ours = float(newsvendor_cost(other_level, holding, stockout, demand))
    assert ours == pytest.approx(elsewhere, rel=1e-9, abs=0.000051)


@given(costs, costs, distributions())
def test_discrete_newsvendor_agrees_with_stockpyl_and_no_level_is_cheaper(
    holding: Decimal, stockout: Decimal, demand: FloatArray
) -> None:
    level = newsvendor_level(holding, stockout, demand)
    cost = float(newsvendor_cost(level, holding, stockout, demand))
    _, theirs = newsvendor.newsvendor_discrete(
        float(holding), float(stockout), demand_pmf=dict(enumerate(demand.tolist()))
    )
    assert cost == pytest.approx(theirs, abs=0.000051)
    everywhere = [enumerated_cost(other, holding, stockout, demand) for other in range(demand.size)]
    assert cost == pytest.approx(min(everywhere), abs=0.000051)


@given(costs, costs, distributions(), st.integers(-15, 25))
def test_newsvendor_cost_holds_below_zero_and_above_the_largest_demand(
    holding: Decimal, stockout: Decimal, demand: FloatArray, level: int
) -> None:
    ours = float(newsvendor_cost(level, holding, stockout, demand))
    assert ours == pytest.approx(enumerated_cost(level, holding, stockout, demand), abs=0.000051)


@given(distributions(), st.floats(0.01, 0.99))
def test_base_stock_is_the_fewest_units_that_last(demand: FloatArray, service_level: float) -> None:
    level = base_stock(service_level, demand)
    assert demand[: level + 1].sum() >= service_level - 1e-9
    assert demand[:level].sum() < service_level + 1e-9


def test_base_stock_is_not_a_unit_too_high_where_the_sum_meets_the_service_level() -> None:
    # Ten tenths sum to 0.9999999999999999 in float, and seven to 0.7 less a rounding.
    tenths = np.full(10, 0.1)
    assert [base_stock(tenth / 10, tenths) for tenth in range(1, 10)] == list(range(9))


@given(distributions())
def test_shortages_are_sums_over_the_demand(demand: FloatArray) -> None:
    units = np.arange(demand.size)
    assert mean(demand) == pytest.approx(float(units @ demand))
    assert exceedances(demand) == pytest.approx([demand[units > stock].sum() for stock in units])
    assert expected_shortages(demand) == pytest.approx(
        [np.maximum(units - stock, 0) @ demand for stock in units]
    )


@pytest.mark.parametrize("demand_mean", [0.0, 0.001, 1.0, 700.0, 50_000.0])
def test_poisson_keeps_its_mean_and_variance_at_any_size(demand_mean: float) -> None:
    demand = poisson(demand_mean / 4, 4)
    units = np.arange(demand.size)
    assert demand.sum() == pytest.approx(1, abs=1e-12)
    assert mean(demand) == pytest.approx(demand_mean, rel=1e-9)
    assert float((units - demand_mean) ** 2 @ demand) == pytest.approx(demand_mean, rel=1e-6)


def test_no_demand_needs_no_stock() -> None:
    assert quantile(poisson(0, 3), 0.999) == 0
    assert base_stock(0.999, poisson(2, 0)) == 0


@given(means, deviations, st.integers(0, 8), st.floats(0.5, 0.999))
def test_normal_base_stock_with_fixed_lead_time_agrees_with_stockpyl(
    demand_mean: float, deviation: float, lead_time: int, service_level: float
) -> None:
    # stockpyl's newsvendor reviews every period, and reads the service level from the costs.
    demand = interval_demand(demand_mean, deviation, lead_time, review_period=1)
    theirs, _ = newsvendor.newsvendor_normal(
        1 - service_level, service_level, demand_mean, deviation, lead_time=lead_time
    )
    assert float(normal_base_stock(service_level, demand)) == pytest.approx(theirs, rel=1e-7, abs=0.0002)


@given(
    st.floats(0, 50),
    st.floats(0, 30),
    st.lists(st.tuples(st.integers(0, 12), st.integers(1, 9)), min_size=1, max_size=6),
)
def test_variance_of_lead_time_demand_is_that_of_the_mixture(
    demand_mean: float, deviation: float, lead_times: list[tuple[int, int]]
) -> None:
    """Demand given a lead time L has mean d L and variance sd^2 L; mixing over L must give the formula."""
    lengths = np.array([length for length, _ in lead_times], dtype=float)
    weights = np.array([weight for _, weight in lead_times]) / sum(weight for _, weight in lead_times)
    mean_length = float(lengths @ weights)
    sd_length = float(np.sqrt((lengths - mean_length) ** 2 @ weights))
    demand = interval_demand(demand_mean, deviation, mean_length, sd_length)
    second_moment = float((deviation**2 * lengths + (demand_mean * lengths) ** 2) @ weights)
    assert demand.mean == pytest.approx(demand_mean * mean_length)
    assert demand.variance == pytest.approx(second_moment - demand.mean**2, rel=1e-6, abs=1e-6)


@given(means, deviations, st.floats(0.01, 0.99))
def test_safety_stock_lasts_with_the_service_level(
    demand_mean: float, deviation: float, service_level: float
) -> None:
    demand = NormalDist(demand_mean, deviation)
    level = normal_base_stock(service_level, demand)
    assert demand.cdf(float(level)) == pytest.approx(service_level, abs=0.001)
    assert float(level - safety_stock(service_level, demand)) == pytest.approx(demand_mean, abs=0.000051)


@pytest.mark.parametrize("seed", range(12))
def test_cheapest_reorder_quantity_agrees_with_stockpyl(seed: int) -> None:
    random = np.random.default_rng(seed)
    holding, stockout, fixed = (
        D(str(round(random.uniform(*ends), 2))) for ends in ((1, 20), (5, 90), (1, 120))
    )
    rate, lead_time = float(random.uniform(0.2, 6)), float(random.uniform(0, 4))
    ours = cheapest_reorder_quantity(holding, stockout, fixed, rate, poisson(rate, lead_time))
    reorder_point, quantity, cost = rq.r_q_poisson_exact(
        float(holding), float(stockout), float(fixed), rate, lead_time
    )
    assert (ours.reorder_point, ours.quantity) == (reorder_point, quantity)
    assert float(ours.cost) == pytest.approx(cost, abs=0.000051)


@settings(max_examples=40)
@given(costs, costs, st.decimals(0, 60, places=2), st.floats(0.1, 5), distributions())
def test_no_reorder_quantity_is_cheaper(
    holding: Decimal, stockout: Decimal, fixed: Decimal, rate: float, demand: FloatArray
) -> None:
    ours = cheapest_reorder_quantity(holding, stockout, fixed, rate, demand)
    level_costs = {y: enumerated_cost(y, holding, stockout, demand) for y in range(-30, 50)}
    tried = [
        (float(fixed) * rate + sum(level_costs[y] for y in range(s + 1, s + q + 1))) / q
        for s, q in product(range(-20, 20), range(1, 30))
    ]
    assert float(ours.cost) <= min(tried) + 0.000051
    chosen = range(ours.reorder_point + 1, ours.reorder_point + ours.quantity + 1)
    paid = float(fixed) * rate + sum(enumerated_cost(y, holding, stockout, demand) for y in chosen)
    assert float(ours.cost) == pytest.approx(paid / ours.quantity, abs=0.000051)


@pytest.mark.parametrize("seed", range(12))
def test_cheapest_reorder_levels_agree_with_stockpyl(seed: int) -> None:
    random = np.random.default_rng(seed)
    holding, stockout, fixed = (
        D(str(round(random.uniform(*ends), 2))) for ends in ((0.5, 5), (2, 30), (1, 40))
    )
    demand_mean = float(random.uniform(0.3, 6))
    demand = poisson(demand_mean, 1)
    ours = cheapest_reorder_levels(holding, stockout, fixed, demand, demand)
    reorder_point, level, cost = ss.s_s_discrete_exact(
        float(holding), float(stockout), float(fixed), True, demand_mean
    )
    assert (ours.reorder_point, ours.level) == (reorder_point, level)
    assert float(ours.cost) == pytest.approx(cost, abs=0.000051)


def stationary_cost(
    s: int, level: int, fixed: Decimal, period_demand: FloatArray, cost_after_order: dict[int, float]
) -> float:
    """Cost per period of (s, S) from the stationary distribution of the position after ordering."""
    count = level - s
    step = np.zeros((count, count))
    ordering = np.zeros(count)
    for position, (units, probability) in product(range(s + 1, level + 1), enumerate(period_demand)):
        orders = position - units <= s
        step[position - s - 1, (level if orders else position - units) - s - 1] += probability
        ordering[position - s - 1] += probability * orders
    system = np.vstack([step.T - np.eye(count), np.ones(count)])
    stationary = np.linalg.lstsq(system, np.append(np.zeros(count), 1), rcond=None)[0]
    held = np.array([cost_after_order[position] for position in range(s + 1, level + 1)])
    return float(stationary @ (held + float(fixed) * ordering))


@pytest.mark.parametrize("seed", range(10))
def test_no_reorder_levels_are_cheaper(seed: int) -> None:
    random = np.random.default_rng(seed)
    holding, stockout, fixed = (
        D(str(round(random.uniform(*ends), 2))) for ends in ((0.5, 5), (2, 30), (0, 25))
    )
    period_demand = random.dirichlet(np.ones(int(random.integers(2, 6))))
    interval = period_demand
    for _ in range(seed % 3):
        interval = np.convolve(interval, period_demand)
    ours = cheapest_reorder_levels(holding, stockout, fixed, period_demand, interval)
    level_costs = {y: enumerated_cost(y, holding, stockout, interval) for y in range(-8, 31)}
    tried = [
        stationary_cost(s, level, fixed, period_demand, level_costs)
        for s in range(-8, 14)
        for level in range(s + 1, min(s + 16, 30))
    ]
    assert float(ours.cost) == pytest.approx(min(tried), abs=0.000051)
    at_ours = stationary_cost(ours.reorder_point, ours.level, fixed, period_demand, level_costs)
    assert float(ours.cost) == pytest.approx(at_ours, abs=0.000051)


def test_without_a_fixed_cost_each_review_orders_up_to_the_base_stock() -> None:
    demand = poisson(3, 1)
    ours = cheapest_reorder_levels(D(1), D(9), D(0), demand, demand)
    assert ours.level == ours.reorder_point + 1 == base_stock(0.9, demand)
    assert ours.cost == newsvendor_cost(ours.level, D(1), D(9), demand)


def test_levels_that_tie_without_a_fixed_cost_are_not_rounded_into_an_empty_cycle() -> None:
    # At the critical ratio 5/6 the levels 2 and 3 cost the same, but for the rounding of float sums.
    demand = np.array([1, 1, 3, 0, 1, 0]) / 6
    ours = cheapest_reorder_levels(D("0.1"), D("0.5"), D(0), demand, demand)
    assert ours.reorder_point < ours.level
    assert ours.cost == newsvendor_cost(2, D("0.1"), D("0.5"), demand)
