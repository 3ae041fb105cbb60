"""Levels and reorder points against stockpyl, plain enumeration and the stationary chain of the policy."""

from decimal import Decimal
from math import sqrt
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stockpyl import newsvendor

from forecasting.arrays import FloatArray
from forecasting.stock_control.discrete_demand import exceedances, expected_shortages, quantile
from forecasting.stock_control.safety_stock import base_stock, normal_base_stock, safety_stock
from tests.oracles.poisson import poisson

D = Decimal

costs = st.decimals(D("0.05"), 50, places=2)
means = st.floats(0.5, 400)
deviations = st.floats(0.1, 100)


@st.composite
def distributions(draw: st.DrawFn) -> FloatArray:
    """Up to 12 weights over 0, 1, 2, ... units, some of them 0."""
    weights = draw(st.lists(st.integers(0, 9), min_size=1, max_size=12).filter(any))
    return np.array(weights) / sum(weights)


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
    assert exceedances(demand) == pytest.approx([demand[units > stock].sum() for stock in units])
    assert expected_shortages(demand) == pytest.approx(
        [np.maximum(units - stock, 0) @ demand for stock in units]
    )


def test_no_demand_needs_no_stock() -> None:
    assert quantile(poisson(0, 3), 0.999) == 0
    assert base_stock(0.999, poisson(2, 0)) == 0


@given(means, deviations, st.integers(0, 8), st.floats(0.5, 0.999))
def test_normal_base_stock_with_fixed_lead_time_agrees_with_stockpyl(
    demand_mean: float, deviation: float, lead_time: int, service_level: float
) -> None:
    # stockpyl's newsvendor reviews every period, and reads the service level from the costs.
    demand = NormalDist(demand_mean * (lead_time + 1), deviation * sqrt(lead_time + 1))
    theirs, _ = newsvendor.newsvendor_normal(
        1 - service_level, service_level, demand_mean, deviation, lead_time=lead_time
    )
    assert float(normal_base_stock(service_level, demand)) == pytest.approx(theirs, rel=1e-7, abs=0.0002)


@given(means, deviations, st.floats(0.01, 0.99))
def test_safety_stock_lasts_with_the_service_level(
    demand_mean: float, deviation: float, service_level: float
) -> None:
    demand = NormalDist(demand_mean, deviation)
    level = normal_base_stock(service_level, demand)
    assert demand.cdf(float(level)) == pytest.approx(service_level, abs=0.001)
    assert float(level - safety_stock(service_level, demand)) == pytest.approx(demand_mean, abs=0.000051)
