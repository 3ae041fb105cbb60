"""Stored quantiles read as a distribution; expected values by hand."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.stock_control.quantile_demand import masses, quantile_at

LEVELS = (0.25, 0.5, 0.9)


def quantiles(*values: int) -> list[Decimal]:
    return [Decimal(value) for value in values]


@pytest.mark.parametrize(
    ("level", "expected"), [(0.01, 2), (0.25, 2), (0.25 + 1e-12, 2), (0.26, 4), (0.5, 4), (0.7, 8), (0.9, 8)]
)
def test_a_level_that_is_not_stored_is_kept_by_the_next_quantile(level: float, expected: int) -> None:
    assert quantile_at(LEVELS, quantiles(2, 4, 8), level) == expected


def test_a_level_above_all_that_was_forecast_is_refused() -> None:
    with pytest.raises(ValueError, match=r"Level 0.99 is above 0.9"):
        quantile_at(LEVELS, quantiles(2, 4, 8), 0.99)


@given(st.lists(st.integers(0, 60), min_size=4, max_size=4), st.floats(0.01, 0.9))
def test_demand_stays_at_or_under_it_at_least_as_often_as_asked(demand: list[int], level: float) -> None:
    seen = np.array(demand)
    stored = [Decimal(int(np.quantile(seen, one, method="inverted_cdf"))) for one in LEVELS]
    assert (seen <= float(quantile_at(LEVELS, stored, level))).mean() >= level - 1e-9


def test_masses_of_units_are_what_lies_between_their_edges() -> None:
    # A quarter is spread over 2 units, the next over 2, 0.4 over 4, and what is beyond lies at the last.
    expected = [0, 0.125, 0.125, 0.125, 0.125, 0.1, 0.1, 0.1, 0.2]
    assert np.allclose(masses(LEVELS, quantiles(2, 4, 8), Decimal(1)), expected)
    # In bottles of 3: up to 3 is 0.375, up to 6 is 0.7.
    assert np.allclose(masses(LEVELS, quantiles(2, 4, 8), Decimal(3)), [0, 0.375, 0.325, 0.3])


def test_no_demand_is_certain_to_need_nothing() -> None:
    assert masses(LEVELS, quantiles(0, 0, 0), Decimal(1))[0] == 1
    # Half of the time nothing, then spread up to 4.
    assert np.allclose(masses(LEVELS, quantiles(0, 0, 4), Decimal(2)), [0.5, 0.2, 0.3])


@pytest.mark.parametrize("level", [0.0, 1.0, -0.1, float("nan")])
def test_a_level_that_is_no_share_is_refused(level: float) -> None:
    with pytest.raises(ValueError, match="Level"):
        quantile_at(LEVELS, quantiles(2, 4, 8), level)


def test_quantiles_that_fall_or_are_negative_are_refused() -> None:
    with pytest.raises(ValueError, match="below 4"):
        masses(LEVELS, quantiles(2, 4, 3), Decimal(1))
    with pytest.raises(ValueError, match="negative"):
        quantile_at(LEVELS, quantiles(-1, 4, 8), 0.5)


@given(st.lists(st.integers(0, 500), min_size=3, max_size=3).map(sorted), st.integers(1, 60))
def test_masses_are_a_distribution_that_agrees_with_the_quantiles(values: list[int], unit: int) -> None:
    found = masses(LEVELS, quantiles(*values), Decimal(unit))
    assert abs(found.sum() - 1) < 1e-9
    assert (found >= 0).all()
    reached = np.cumsum(found)
    for level, value in zip(LEVELS, values, strict=True):
        assert reached[-(-value // unit)] >= level - 1e-9
