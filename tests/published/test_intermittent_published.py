"""Intermittent demand and compound distributions against published figures and another library.

[memory]: recalled, not read again; [computed]: follows from the inputs given.
"""

import numpy as np
import pytest
from statsforecast import models as peers
from statsmodels.tsa.holtwinters import SimpleExpSmoothing

from forecasting.arrays import FloatArray
from forecasting.demand import intermittent_smoothing
from forecasting.demand.accuracy import demand_classes
from tests.oracles import compound


def test_panjer_recursion() -> None:
    # Panjer 1981: Poisson rate 2, P(1) = 0.5, P(2) = 0.3, P(3) = 0.2. [computed]
    expected = [
        0.13533528,
        0.13533528,
        0.14886881,
        0.15789116,
        0.12473402,
        0.09856920,
        0.07295324,
        0.04870244,
    ]
    found = compound.panjer(np.array([2.0]), np.array([0, 0.5, 0.3, 0.2]), 7)
    assert found[0] == pytest.approx(expected, abs=5e-9)


@pytest.mark.parametrize(
    ("demand", "name"),
    [
        # Syntetos, Boylan and Croston 2005: mean interval 1.32, squared variation of sizes 0.49. [memory]
        ([1, 1, 1, 0] * 25, "intermittent"),  # interval 1.333
        ([1, 1, 1, 1, 0] * 20, "smooth"),  # interval 1.25
        ([1, 0, 6, 0] * 25, "lumpy"),  # mean 3.5, variance 6.25: 0.510
        ([1, 0, 5.5, 0] * 25, "intermittent"),  # mean 3.25, variance 5.0625: 0.479
        ([1, 6] * 50, "erratic"),
        ([0] * 100, "no demand"),
    ],
)
def test_classes_of_demand(demand: list[float], name: str) -> None:
    row = np.array([demand])
    assert demand_classes(row, np.ones(row.shape, bool)).tolist() == [name]


def panel(seed: int = 3) -> FloatArray:
    chance = np.random.default_rng(seed)
    demand = chance.poisson(2.0, (40, 60)) * (chance.random((40, 60)) < chance.random((40, 1)))
    demand[0, 1:] = 0
    return demand.astype(float)


@pytest.mark.parametrize("origin", [20, 60])
def test_smoothing_agrees_with_statsforecast(origin: int) -> None:
    # Equal start values: the first demand, the first size, the first interval.
    demand = panel()
    seen = np.ones(demand.shape, bool)
    pairs = [
        (
            intermittent_smoothing.simple(demand, seen, [10, origin], 0.2),
            peers.SimpleExponentialSmoothing(0.2),
        ),
        (intermittent_smoothing.croston(demand, seen, [10, origin]), peers.CrostonClassic()),
        (intermittent_smoothing.syntetos_boylan(demand, seen, [10, origin]), peers.CrostonSBA()),
        (
            intermittent_smoothing.teunter_syntetos_babai(demand, seen, [10, origin], 0.3, 0.05),
            peers.TSB(alpha_d=0.3, alpha_p=0.05),
        ),
    ]
    some = demand[:, :origin].any(axis=1)
    assert some.sum() >= 38
    for ours, peer in pairs:
        theirs = [peer.forecast(y=row[:origin], h=1)["mean"][0] for row in demand[some]]
        assert ours[-1][some] == pytest.approx(theirs, abs=1e-9)


def test_simple_smoothing_agrees_with_statsmodels() -> None:
    demand = panel()
    ours = intermittent_smoothing.simple(demand, np.ones(demand.shape, bool), [60], 0.15)[0]
    for row, level in zip(demand[1:11], ours[1:], strict=False):
        model = SimpleExpSmoothing(row, initialization_method="known", initial_level=row[0])
        theirs = model.fit(smoothing_level=0.15, optimized=False).forecast(1)[0]
        assert level == pytest.approx(theirs, abs=1e-9)


def test_croston_by_hand() -> None:
    # 0 0 3 0 5: sizes 3, then 3.2; intervals 3, then 2.9; 3.2 / 2.9. [computed]
    demand = np.array([[0.0, 0, 3, 0, 5]])
    seen = np.ones(demand.shape, bool)
    assert intermittent_smoothing.croston(demand, seen, [5])[0, 0] == pytest.approx(3.2 / 2.9)
    assert intermittent_smoothing.syntetos_boylan(demand, seen, [5])[0, 0] == pytest.approx(0.95 * 3.2 / 2.9)
    # Chance 0, 0, 0.1, 0.09, 0.181; size 3.2. [computed]
    assert intermittent_smoothing.teunter_syntetos_babai(demand, seen, [5])[0, 0] == pytest.approx(
        0.181 * 3.2
    )
