"""Better than its peers on real lumpy demand, and as sure as it says: on the committed extract."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy import stats
from statsforecast import models as peers

from forecasting.arrays import FloatArray
from forecasting.demand.accuracy import demand_classes, pinball, scale
from forecasting.demand.panel_forecast import PanelForecast, forecast_panel
from tests.open_data import weekly_units

pytestmark = pytest.mark.slow

LEVELS = np.array([0.5, 0.8, 0.9, 0.95, 0.99])
ORIGINS = (40, 42, 44, 46, 48, 50)


@cache
def forecasts() -> list[PanelForecast]:
    data = weekly_units()
    return [forecast_panel(data.units[:, :origin], 2, LEVELS, group=data.product) for origin in ORIGINS]


def loss(origin: int, quantiles: FloatArray) -> float:
    units = weekly_units().units
    past = units[:, :origin]
    scaled = pinball(units[:, origin : origin + 2].sum(axis=1), quantiles, LEVELS).mean(axis=1)
    return float((scaled / scale(past, np.ones(past.shape, bool))).mean())


def normal(mean: FloatArray, variance: FloatArray) -> FloatArray:
    quantiles: FloatArray = mean[:, None] + np.sqrt(variance)[:, None] * stats.norm.ppf(LEVELS)
    return quantiles


def negative_binomial(mean: FloatArray, variance: FloatArray) -> FloatArray:
    mean = np.maximum(mean, 1e-9)
    size = mean**2 / np.maximum(variance - mean, 1e-6 * mean)
    return np.asarray(stats.nbinom.ppf(LEVELS, size[:, None], (size / (size + mean))[:, None]))


@pytest.mark.parametrize(("dress", "ratio"), [(normal, 0.82), (negative_binomial, 0.93)])
def test_less_loss_than_the_best_quick_peer(
    dress: Callable[[FloatArray, FloatArray], FloatArray], ratio: float
) -> None:
    # The slow peers (AutoETS, AutoTheta, IMAPA) are in the benchmark; on the full panel they win little.
    units = weekly_units().units
    quick = [
        peers.HistoricAverage(),
        peers.SimpleExponentialSmoothing(0.1),
        peers.SimpleExponentialSmoothing(0.2),
        peers.CrostonSBA(),
        peers.TSB(alpha_d=0.1, alpha_p=0.1),
    ]
    ours, theirs = [], []
    for origin, found in zip(ORIGINS, forecasts(), strict=True):
        past = units[:, :origin]
        variance = 2 * past.var(axis=1, ddof=1)
        ours.append(loss(origin, found.quantiles))
        theirs.append(
            [
                loss(
                    origin, dress(np.array([m.forecast(y=row, h=2)["mean"].sum() for row in past]), variance)
                )
                for m in quick
            ]
        )
    assert np.mean(ours) <= ratio * np.mean(theirs, axis=0).min()


def test_what_is_stated_holds_as_often_as_stated() -> None:
    units = weekly_units().units
    held, classes = [], []
    for origin, found in zip(ORIGINS, forecasts(), strict=True):
        held.append(units[:, origin : origin + 2].sum(axis=1)[:, None] <= found.quantiles)
        past = units[:, :origin]
        classes.append(demand_classes(past, np.ones(past.shape, bool)))
    holds, kinds = np.concatenate(held), np.concatenate(classes)
    for chosen in (np.ones(len(kinds), bool), kinds == "intermittent"):
        share = dict(zip(LEVELS, holds[chosen].mean(axis=0), strict=True))
        assert 0.94 <= share[0.95] <= 0.975
        assert 0.78 <= share[0.8] <= 0.90


def test_the_backtest_tells_what_then_happened() -> None:
    told = forecasts()[3].backtest.summary()
    assert told is not None
    data = weekly_units()
    then = loss(46, forecasts()[3].quantiles)
    assert told.forecasts == 6 * len(data.units)
    assert told.pinball == pytest.approx(then, rel=0.15)
