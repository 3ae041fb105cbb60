"""Quantiles against scipy, and the regression on panels whose truth is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from forecasting.demand.negative_binomial import fit, quantiles
from tests.thoroughness import examples

LEVELS = np.array([0.99, 0.5, 0.8, 0.9, 0.95])


@settings(max_examples=examples(50))
@given(
    st.lists(st.tuples(st.floats(1e-6, 2000), st.floats(0.01, 1000)), min_size=1, max_size=20),
    st.lists(st.floats(0.01, 0.999), min_size=1, max_size=6),
)
def test_a_quantile_is_the_first_number_to_reach_its_level(
    parameters: list[tuple[float, float]], levels: list[float]
) -> None:
    mean, size = np.array(parameters).T
    wanted = np.array(levels)
    found = quantiles(mean, size, wanted)
    reached = stats.nbinom.cdf(found, size[:, None], (size / (size + mean))[:, None])
    before = stats.nbinom.cdf(found - 1, size[:, None], (size / (size + mean))[:, None])
    assert (reached >= wanted - 1e-9).all()
    assert (before < wanted + 1e-9).all()


def test_quantiles_equal_those_of_scipy() -> None:
    chance = np.random.default_rng(5)
    mean, size = chance.gamma(0.5, 20, 500), chance.gamma(1, 2, 500) + 0.02
    expected = stats.nbinom.ppf(LEVELS, size[:, None], (size / (size + mean))[:, None])
    assert (quantiles(mean, size, LEVELS) == expected).all()


def test_no_demand_expected_needs_no_stock() -> None:
    assert quantiles(np.zeros(2), np.ones(2), LEVELS).tolist() == [[0] * 5] * 2


def test_many_series_recover_the_parameters_they_were_drawn_with() -> None:
    chance = np.random.default_rng(11)
    rows = 40_000
    expected = chance.gamma(2, 1, rows) + 0.1
    first, second = chance.normal(size=(2, rows))
    mean = expected * np.exp(0.3 + 0.5 * first - 0.2 * second)
    size = np.exp(0.4 + 0.6 * second)
    demand = chance.poisson(mean * chance.gamma(size, 1 / size)).astype(float)
    terms = np.column_stack([first, second])
    model = fit(demand, expected, terms, second[:, None], np.ones(rows))
    found_mean, found_size = model.predict(expected, terms, second[:, None])
    assert np.polyfit(first, np.log(found_mean / expected) + 0.2 * second, 1) == pytest.approx(
        [0.5, 0.3], abs=0.03
    )
    assert np.polyfit(second, np.log(found_size), 1) == pytest.approx([0.6, 0.4], abs=0.06)


def test_the_fit_is_the_greatest_likelihood() -> None:
    # One mean and one size, found again by scipy's own distribution and minimiser.
    chance = np.random.default_rng(2)
    demand = chance.negative_binomial(2, 0.4, 20_000).astype(float)

    def loss(theta: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
        mean, size = np.exp(theta)
        return -float(stats.nbinom.logpmf(demand, size, size / (size + mean)).sum())

    best = np.exp(optimize.minimize(loss, [0.5, 0.5], method="Nelder-Mead").x)
    nothing = np.zeros((len(demand), 1))
    model = fit(demand, np.ones(len(demand)), nothing, nothing, np.ones(len(demand)))
    mean, size = model.predict(np.ones(1), np.zeros((1, 1)), np.zeros((1, 1)))
    assert (mean[0], size[0]) == pytest.approx(tuple(best), rel=1e-3)


def test_nothing_to_learn_from_leaves_the_mean_as_expected() -> None:
    empty = np.empty((0, 1))
    model = fit(np.empty(0), np.empty(0), empty, empty, np.empty(0))
    mean, size = model.predict(np.array([2.0, 3.0]), np.ones((2, 1)), np.ones((2, 1)))
    assert mean.tolist() == [2, 3]
    assert size.tolist() == [1, 1]


def test_terms_beyond_what_was_seen_count_as_the_nearest_seen() -> None:
    chance = np.random.default_rng(1)
    term = chance.uniform(0, 1, (5000, 1))
    demand = chance.poisson(np.exp(term[:, 0])).astype(float)
    model = fit(demand, np.ones(5000), term, term, np.ones(5000))
    one = np.ones(1)
    assert model.predict(one, np.array([[1e6]]), term[:1])[0] < 4
