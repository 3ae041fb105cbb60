"""Scores of past forecasts: hand-computed, honest about the future, and said in words."""

import numpy as np
import numpy.typing as npt
import pytest

from forecasting.arrays import FloatArray
from forecasting.demand import accuracy, demand_panel
from forecasting.demand.accuracy import ForecastOutcome
from forecasting.demand.candidate_models import candidates
from forecasting.demand.model_selection import ModelSelection, fit_origins, test_origins
from forecasting.demand.panel_forecast import forecast_panel
from tests.open_data import weekly_units

LEVELS = np.array([0.5, 0.95])

# pytest would take the function for a test.
test_origins.__test__ = False  # type: ignore[attr-defined]


def seen(demand: FloatArray) -> npt.NDArray[np.bool_]:
    return np.ones(demand.shape, bool)


def test_pinball_loss() -> None:
    # 0.95 x 4 short; 0.05 x 2 too much; 0.5 either way. [computed]
    loss = accuracy.pinball(np.array([10.0, 10.0]), np.array([[6.0, 6.0], [12.0, 12.0]]), LEVELS)
    assert loss == pytest.approx(np.array([[2.0, 3.8], [1.0, 0.1]]))


def test_scales_leave_out_what_was_not_observed() -> None:
    demand = np.array([[1.0, 3, 9, 9, 5], [2, 2, 2, 2, 2]])
    observed = seen(demand)
    assert accuracy.scale(demand, observed) == pytest.approx([12 / 4, 1])
    assert accuracy.squared_scale(demand, observed) == pytest.approx([56 / 4, 1])
    observed[0, 2] = False
    assert accuracy.scale(demand, observed) == pytest.approx([6 / 2, 1])


def test_scores_by_hand() -> None:
    demand = np.array([[1.0, 3, 9, 9, 5], [2, 2, 2, 2, 2]])
    panel = demand_panel.read(demand, None, None, None)
    flipped = panel.order.tolist() == [1, 0]

    def rows(first: float, second: float) -> FloatArray:
        return np.array([second, first] if flipped else [first, second])

    outcomes = [
        ForecastOutcome(
            origin,
            mean=rows(4, 2),
            quantiles=np.column_stack([rows(4, 2), rows(9, 2)]),
            demand=rows(came, 2),
            counts=rows(1, counts) > 0,
            scale=rows(2, 1),
            squared_scale=rows(4, 1),
        )
        for origin, came, counts in ((2, 9, 1), (3, 10, 0))
    ]
    classes = accuracy.demand_classes(panel.demand, panel.observed)
    result = accuracy.score(panel, outcomes, periods_ahead=1, levels=LEVELS, classes=classes, losses={})
    # First series: errors 5 and 6 of levels 0.5 (loss 2.5, 3) and 0, 1 of 0.95 (0, 0.95), scale 2. [computed]
    assert result.forecasts.tolist() == [2, 1]
    assert result.pinball_sum == pytest.approx([(2.5 + 0 + 3 + 0.95) / 2 / 2, 0])
    assert result.covered.tolist() == [[0, 1], [1, 1]]
    summary = result.summary()
    assert summary is not None
    assert summary.forecasts == 3
    assert summary.rmsse == pytest.approx(np.sqrt((25 + 36) / 4 / 3))
    assert summary.bias == pytest.approx(-11 / 21)
    assert summary.coverage == pytest.approx([1 / 3, 2 / 3])
    assert result.in_words(0.95) == "The stated 95% held in 2 of 3 past forecasts."
    assert set(result.by_class()) == {"smooth", "erratic"} or set(result.by_class()) == {"smooth"}
    with pytest.raises(ValueError, match=r"Level 0\.8 was not forecast"):
        result.in_words(0.8)


def test_without_history_nothing_is_claimed() -> None:
    result = forecast_panel([[1.0, 2.0]], 2, LEVELS).backtest
    assert result.summary() is None
    assert result.by_class() == {}
    assert "too short" in result.in_words(0.95)


def past_forecasts(demand: FloatArray, group: npt.NDArray[np.int64]) -> list[ForecastOutcome]:
    """The backtest of an engine that must not look ahead; the order of series is held by the first column."""
    panel = demand_panel.read(demand, group, None, None)
    tests = test_origins(panel.periods, 2)
    fits = fit_origins(panel.periods, tests[0], 2, len(demand))
    models = candidates(
        panel,
        2,
        [*fits, *tests, panel.periods],
        exposure_ahead=None,
        exposure_at_least=None,
        by_jobs=False,
        season_length=None,
        season_known=tests[0],
    )
    selection = ModelSelection(panel, 2, LEVELS, models)
    selection.run(fits, tests)
    back = np.argsort(panel.order)
    return [
        ForecastOutcome(
            o.origin,
            o.mean[back],
            o.quantiles[back],
            o.demand[back],
            o.counts[back],
            o.scale,
            o.squared_scale,
        )
        for o in selection.outcomes
    ]


def test_a_past_forecast_does_not_know_what_came_after() -> None:
    data = weekly_units()
    changed = data.units.copy()
    changed[:, 46:] = np.random.default_rng(0).poisson(9, (len(changed), 6))
    truth, other = past_forecasts(data.units, data.product), past_forecasts(changed, data.product)
    assert [outcome.origin for outcome in truth] == [40, 42, 44, 46, 48, 50]
    for known, unknown in zip(truth[:4], other[:4], strict=True):
        assert known.mean == pytest.approx(unknown.mean, rel=1e-5)
        assert (known.quantiles == unknown.quantiles).mean() > 0.999
    assert (truth[4].quantiles != other[4].quantiles).any()


def test_windows_with_periods_not_observed_are_not_scored() -> None:
    data = weekly_units()
    observed = np.ones(data.units.shape, bool)
    observed[7, 45] = False
    result = forecast_panel(data.units, 2, LEVELS, group=data.product, observed=observed).backtest
    assert result.forecasts[7] == 5
    assert result.forecasts.sum() == 6 * len(data.units) - 1
