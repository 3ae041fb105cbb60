"""The compound distribution against convolution, known identities, and what it must refuse."""

import numpy as np
import pytest
from scipy import stats

from forecasting.arrays import FloatArray
from forecasting.demand import negative_binomial
from tests.oracles import compound

USES = np.array([0.2, 0.5, 0.2, 0.1])


def by_convolution(numbers: FloatArray, uses: FloatArray, units_max: int) -> FloatArray:
    total, power = np.zeros(units_max + 1), np.array([1.0])
    for chance in numbers:
        power_shown = np.pad(power, (0, units_max + 1))[: units_max + 1]
        total += chance * power_shown
        power = np.convolve(power, uses)
    return total


def test_poisson_number_of_jobs_equals_convolution() -> None:
    rates = np.array([0.0, 0.4, 3.0])
    found = compound.panjer(rates, USES, 30)
    for rate, row in zip(rates, found, strict=True):
        assert row == pytest.approx(
            by_convolution(stats.poisson.pmf(np.arange(60), rate), USES, 30), abs=1e-12
        )


def test_negative_binomial_number_of_jobs_equals_convolution() -> None:
    found = compound.panjer(np.array([2.0]), USES, 30, size=np.array([0.7]))
    numbers = stats.nbinom.pmf(np.arange(120), 0.7, 0.7 / 2.7)
    assert found[0] == pytest.approx(by_convolution(numbers, USES, 30), abs=1e-12)


def test_one_use_per_job_gives_the_number_of_jobs() -> None:
    found = compound.panjer(np.array([4.0]), np.array([0.0, 1.0]), 40, size=np.array([1.5]))
    assert found[0] == pytest.approx(stats.nbinom.pmf(np.arange(41), 1.5, 1.5 / 5.5), abs=1e-13)


def test_logarithmic_uses_of_poisson_jobs_are_negative_binomial() -> None:
    # Quenouille 1949: rate -r ln(p), sizes logarithmic with 1 - p, give size r and chance p.
    r, p = 1.7, 0.35
    uses = np.concatenate([[0], stats.logser.pmf(np.arange(1, 400), 1 - p)])
    found = compound.panjer(np.array([-r * np.log(p)]), uses / uses.sum(), 60)
    assert found[0] == pytest.approx(stats.nbinom.pmf(np.arange(61), r, p), abs=1e-12)


@pytest.mark.parametrize(("mean", "size"), [(0.4, 0.3), (3.0, 1.7), (25.0, 6.0)])
def test_the_panel_s_quantiles_are_those_of_jobs_with_logarithmic_uses(mean: float, size: float) -> None:
    levels, chance = np.array([0.5, 0.8, 0.95, 0.999]), size / (size + mean)
    uses = np.concatenate([[0], stats.logser.pmf(np.arange(1, 400), 1 - chance)])
    jobs = np.array([-size * np.log(chance)])
    exact = compound.quantiles(compound.panjer(jobs, uses / uses.sum(), 300), levels)
    assert (negative_binomial.quantiles(np.array([mean]), np.array([size]), levels) == exact).all()


def test_geometric_uses_of_poisson_jobs() -> None:
    # Geometric Poisson (Polya and Aeppli): mean rate / p and variance rate (2 - p) / p^2. [memory]
    rate, p = 3.0, 0.6
    uses = np.concatenate([[0], stats.geom.pmf(np.arange(1, 120), p)])
    row = compound.panjer(np.array([rate]), uses / uses.sum(), 150)[0]
    units = np.arange(151)
    mean = units @ row
    assert mean == pytest.approx(rate / p, abs=1e-9)
    assert (units - mean) ** 2 @ row == pytest.approx(rate * (2 - p) / p**2, abs=1e-7)


@pytest.mark.parametrize("size", [None, 50.0])
def test_a_rate_that_would_underflow_is_split(size: float | None) -> None:
    rate = 900.0
    sizes = None if size is None else np.array([size])
    row = compound.panjer(np.array([rate]), np.array([0.0, 1.0]), 2500, sizes)[0]
    units = np.arange(2501)
    expected = (
        stats.poisson.pmf(units, rate)
        if size is None
        else stats.nbinom.pmf(units, size, size / (size + rate))
    )
    assert row == pytest.approx(expected, abs=1e-12)


def test_quantiles_of_a_distribution() -> None:
    distribution = compound.panjer(np.array([4.0, 0.0]), np.array([0.0, 1.0]), 40)
    levels = np.array([0.5, 0.95])
    assert compound.quantiles(distribution, levels).tolist() == [
        stats.poisson.ppf(levels, 4).tolist(),
        [0, 0],
    ]


def test_a_distribution_that_ends_too_early_is_refused() -> None:
    with pytest.raises(ValueError, match=r"Series 0: the distribution holds 0.* less than level 0\.99"):
        compound.quantiles(compound.panjer(np.array([4.0]), USES, 3), np.array([0.99]))


@pytest.mark.parametrize("rate", [-1.0, np.nan, np.inf])
def test_an_impossible_rate_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match=r"Series 1: .* jobs expected"):
        compound.panjer(np.array([1.0, rate]), USES, 3)


@pytest.mark.parametrize("uses", [[0.5, 0.4], [1.5, -0.5], [np.nan, 1]])
def test_a_use_that_is_no_distribution_is_refused(uses: list[float]) -> None:
    with pytest.raises(ValueError, match="Series 0: the use per job is not a distribution"):
        compound.panjer(np.array([1.0]), np.array(uses), 3)
