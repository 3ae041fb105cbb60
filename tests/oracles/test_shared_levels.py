"""Levels of a panel by one price of stock: no other choice serves more from less."""

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from forecasting.stock_control.discrete_demand import expected_shortages
from forecasting.stock_control.policy_simulation import replay
from tests.oracles.poisson import poisson
from tests.oracles.shared_levels import BELIEVED_TIMES, Outlook, most_believed, outlook

# Fine enough for a distribution of whole numbers to be known by its quantiles.
FINE = np.arange(1, 20_000) / 20_000


def poisson_outlook(means: list[float], lead: int = 1, review: int = 1) -> Outlook:
    rate = np.array(means)[:, None]
    over_lead = stats.poisson.ppf(FINE, rate * lead) if lead else None
    return outlook(over_lead, stats.poisson.ppf(FINE, rate * (lead + review)), FINE)


def test_short_and_stock_are_those_of_poisson_demand() -> None:
    # Expected shortages of Poisson demand, in closed form by forecasting.stock_control.discrete_demand
    # (tested against Snyder and Shen's newsvendor).
    found = poisson_outlook([1.5])
    late, early = expected_shortages(poisson(1.5, 2)), expected_shortages(poisson(1.5, 1))
    assert found.demand[0] == pytest.approx(1.5, abs=2e-3)
    for level in (0, 2, 5, 7):
        assert found.short[0, level] == pytest.approx(late[level] - early[level], abs=2e-3)
        stock = (level - 1.5 + early[level] + level - 3 + late[level]) / 2
        assert found.stock[0, level] == pytest.approx(stock, abs=2e-3)


def test_what_is_expected_comes_in_a_replay() -> None:
    means = [0.1, 0.8, 4.0]
    found = poisson_outlook(means)
    levels = found.levels_for(0.95)
    assert found.fill_rate(levels) >= 0.95
    demand = np.random.default_rng(3).poisson(np.repeat(means, 400)[:, None], (1200, 110))
    played = replay(
        demand,
        np.repeat(levels, 400)[:, None] * np.ones(110),
        lead_periods=1,
        review_periods=1,
        backorders=True,
        skip_periods=10,
    )
    assert played.total_fill_rate() == pytest.approx(found.fill_rate(levels), abs=0.003)
    expected = 400 * float(found.stock[np.arange(3), levels].sum())
    assert played.total_average_stock() == pytest.approx(expected, rel=0.01)


def test_the_frequent_is_to_last_longer_than_the_rare() -> None:
    means = [0.3, 5.0]
    rare, frequent = poisson_outlook(means).levels_at(0.1).tolist()
    assert stats.poisson.cdf(frequent, 2 * means[1]) > stats.poisson.cdf(rare, 2 * means[0]) > 0.5


@st.composite
def outlooks(draw: st.DrawFn) -> Outlook:
    series, count = draw(st.integers(1, 3)), draw(st.integers(1, 5))
    rows = st.lists(st.integers(0, 4), min_size=count, max_size=count).map(sorted)
    panels = st.lists(rows, min_size=series, max_size=series)
    lead, review = np.array(draw(panels)), np.array(draw(panels))
    return outlook(lead, lead + review, [(i + 1) / (count + 1) for i in range(count)])


@given(outlooks(), st.floats(0.01, 10))
@settings(max_examples=150)
def test_no_other_choice_has_both_less_short_and_less_stock(found: Outlook, price: float) -> None:
    levels = found.levels_at(price)
    rows = np.arange(len(levels))
    short, stock = found.short[rows, levels].sum(), found.stock[rows, levels].sum()
    for other in itertools.product(range(found.short.shape[1]), repeat=len(levels)):
        better_served = found.short[rows, other].sum() < short - 1e-9
        assert not (better_served and found.stock[rows, other].sum() <= stock + 1e-9)


@given(outlooks(), st.floats(0.05, 0.999))
@settings(max_examples=100)
def test_a_fill_rate_is_reached_where_any_price_reaches_it(found: Outlook, fill_rate: float) -> None:
    levels = found.levels_for(fill_rate)
    best = found.fill_rate(found.levels_at(1e-9))
    assert found.fill_rate(levels) >= min(fill_rate, best) - 1e-9


def test_stock_that_comes_at_once_must_last_the_review_period_only() -> None:
    found = poisson_outlook([2.0], lead=0)
    assert found.short[0, 3] == pytest.approx(expected_shortages(poisson(2.0, 1))[3], abs=2e-3)


def test_no_level_is_above_the_most() -> None:
    found = poisson_outlook([0.5, 20.0])
    most = np.array([0.0, 30.0])
    assert found.levels_at(1e-6, most).tolist() == [0, 30]
    assert found.levels_for(0.999, most).tolist() == [0, 30]
    history = [[0, 2, 3, 0, 1], [0, 0, 0, 0, 0]]
    assert most_believed(history, 2).tolist() == [BELIEVED_TIMES * 5, BELIEVED_TIMES]


def test_without_demand_there_is_no_stock_and_all_of_it_is_served() -> None:
    found = outlook(np.zeros((2, 1)), np.zeros((2, 1)), [0.5])
    levels = found.levels_for(0.9)
    assert found.demand.tolist() == [0, 0]
    assert levels.tolist() == [0, 0]
    assert found.fill_rate(levels) == 1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((None, [[1.0, 2.0]], [0.5]), r"shape \(1, 2\) do not give 1 for each series"),
        ((None, [1.0], [0.5]), r"shape \(1,\) do not give 1"),
        ((None, [[2.0, 1.0]], [0.5, 0.9]), "are not numbers of 0 or more that rise"),
        ((None, [[-1.0]], [0.5]), "Quantiles over the interval are not numbers"),
        (([[float("nan")]], [[1.0]], [0.5]), "Quantiles over the lead time are not numbers"),
        (([[1.0], [1.0]], [[1.0]], [0.5]), "2 series over the lead time do not match 1"),
        ((None, [[1.0, 1.0]], [0.9, 0.5]), "Probabilities must rise"),
        ((None, [[1.0]], [1.0]), "Probabilities must rise"),
        ((None, [[]], []), "Probabilities must rise"),
    ],
)
def test_quantiles_that_cannot_be_are_refused(arguments: tuple[Any, ...], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        outlook(*arguments)


@pytest.mark.parametrize(("price", "fill_rate"), [(0.0, 0.0), (-1.0, 1.0), (float("nan"), 2.0)])
def test_a_price_or_a_fill_rate_that_cannot_be_is_refused(price: float, fill_rate: float) -> None:
    found = poisson_outlook([1.0])
    with pytest.raises(ValueError, match="Price of stock"):
        found.levels_at(price)
    with pytest.raises(ValueError, match="Fill rate"):
        found.levels_for(fill_rate)


@pytest.mark.parametrize("interval", [0, 3])
def test_an_interval_that_does_not_fit_in_the_history_is_refused(interval: int) -> None:
    with pytest.raises(ValueError, match=f"An interval of {interval} periods does not fit"):
        most_believed([[1, 2]], interval)
