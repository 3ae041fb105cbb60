"""Forecasts of special series and panels: sensible, with a reason; and refusals that name the place."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from forecasting.arrays import FloatArray
from forecasting.demand.panel_forecast import PanelForecast, forecast_panel

LEVELS = (0.5, 0.8, 0.95, 0.99)
VANS, WEEKS = 10, 60
DISCS, POLISH, CLOTHS = range(3)
RATES = (4.0, 1.0, 0.2)


def drawn(seed: int = 4) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Weekly use of three consumables on ten vans, geometric about a rate of each van."""
    chance = np.random.default_rng(seed)
    group = np.repeat(np.arange(3), VANS)
    rate = np.array(RATES)[group] * chance.gamma(8, 1 / 8, 3 * VANS)
    return chance.poisson(rate[:, None] * chance.exponential(1, (3 * VANS, WEEKS))).astype(float), group


def with_row(row: FloatArray, like: int, observed_row: FloatArray | None = None) -> PanelForecast:
    """Forecast the drawn panel with one more van of a consumable, the last series."""
    use, group = drawn()
    observed = np.ones((len(use) + 1, WEEKS), bool)
    if observed_row is not None:
        observed[-1] = observed_row > 0
    return forecast_panel(np.vstack([use, row]), 2, LEVELS, group=[*group.tolist(), like], observed=observed)


def test_a_new_van_starts_at_the_average_of_the_others() -> None:
    found = with_row(np.zeros(WEEKS), DISCS, np.zeros(WEEKS))
    others = found.mean[:VANS].mean()
    assert found.mean[-1] == pytest.approx(others, rel=0.3)
    assert found.quantiles[-1, 2] >= np.median(found.quantiles[:VANS, 2])
    assert found.reason[-1].startswith("no history")


def test_three_weeks_of_history_lie_between_their_own_and_the_others() -> None:
    known = np.zeros(WEEKS)
    known[-3:] = 1
    found = with_row(np.where(known, 12.0, 0), DISCS, known)
    assert found.mean[:VANS].mean() < found.mean[-1] < 24
    assert found.reason[-1].startswith("short history")


def test_a_consumable_never_used_keeps_a_small_chance() -> None:
    found = with_row(np.zeros(WEEKS), 7)
    assert 0 < found.mean[-1] < 0.3
    assert found.quantiles[-1, 0] == 0
    assert found.reason[-1].startswith("never used")


def test_one_spike_does_not_make_a_habit() -> None:
    spike = np.zeros(WEEKS)
    spike[20] = 50
    found = with_row(spike, CLOTHS)
    assert found.mean[-1] < 2 * 50 / WEEKS
    assert found.quantiles[-1, 0] == 0
    assert found.reason[-1].startswith("used once")


def test_an_item_that_stopped_fades() -> None:
    stopped = np.where(np.arange(WEEKS) < 40, 4.0, 0)
    found = with_row(stopped, DISCS)
    assert found.mean[-1] < 0.25 * found.mean[:VANS].mean()
    assert found.reason[-1].startswith("not used recently")


def test_a_van_off_the_road_is_expected_back_as_it_was() -> None:
    use, group = drawn()
    observed = np.ones(use.shape, bool)
    observed[3, -12:] = False
    away = use.copy()
    away[3, -12:] = np.nan
    found = forecast_panel(away, 2, LEVELS, group=group, observed=observed)
    full = forecast_panel(use, 2, LEVELS, group=group)
    fallen = forecast_panel(np.where(observed, use, 0), 2, LEVELS, group=group)
    assert found.mean[3] == pytest.approx(full.mean[3], rel=0.5)
    assert fallen.mean[3] < 0.6 * found.mean[3]
    assert found.reason[3].startswith("not observed recently")


@pytest.mark.parametrize("shape", [(1, 1), (1, 3), (3, 2), (2, 30), (200, 3)])
@pytest.mark.parametrize("amount", [0.0, 1.0, 400.0, 2.5])
def test_tiny_and_even_panels_have_a_forecast(shape: tuple[int, int], amount: float) -> None:
    found = forecast_panel(np.full(shape, amount), 2, LEVELS)
    assert np.isfinite(found.quantiles).all()
    assert (found.mean > 0).all()
    assert (found.quantiles[:, 0] <= 4 * amount + 2).all()
    assert (found.quantiles[:, -1] >= amount).all()


def test_a_panel_that_nobody_observed_is_expected_to_use_little() -> None:
    found = forecast_panel(drawn()[0], 2, LEVELS, observed=np.zeros((3 * VANS, WEEKS), bool))
    assert (found.mean > 0).all()
    assert (found.mean < 1).all()
    assert all(reason.startswith("no history") for reason in found.reason)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("booked", [None, np.full(3 * VANS, 5.0)])
def test_use_without_any_job_is_forecast_all_the_same(booked: FloatArray | None) -> None:
    use, group = drawn()
    found = forecast_panel(
        use, 2, LEVELS, group=group, exposure=np.zeros(use.shape), exposure_at_least=booked
    )
    without = forecast_panel(use, 2, LEVELS, group=group)
    assert found.mean.sum() == pytest.approx(without.mean.sum(), rel=0.2)
    assert np.isfinite(found.quantiles).all()


def test_measured_use_is_forecast_in_any_unit() -> None:
    use, group = drawn()
    millilitres = use * 37.3
    found = forecast_panel(millilitres, 2, LEVELS, group=group)
    litres = forecast_panel(millilitres / 1024, 2, LEVELS, group=group)
    assert litres.quantiles * 1024 == pytest.approx(found.quantiles, rel=1e-6)
    assert (found.quantiles != np.floor(found.quantiles)).any()
    counted = forecast_panel(use, 2, LEVELS, group=group)
    assert (counted.quantiles == np.floor(counted.quantiles)).all()
    scores = found.backtest.summary(), counted.backtest.summary()
    assert scores[0] is not None
    assert scores[1] is not None
    assert scores[0].pinball == pytest.approx(scores[1].pinball, rel=0.15)


def test_known_jobs_ahead_drive_the_forecast_where_use_follows_jobs() -> None:
    chance = np.random.default_rng(9)
    use_rate = np.repeat(chance.gamma(2, 0.5, 15), VANS)
    jobs = np.tile(chance.poisson(chance.gamma(1.5, 5, (VANS, WEEKS))), (15, 1)).astype(float)
    use = chance.poisson(use_rate[:, None] * jobs).astype(float)
    past, ahead = slice(0, WEEKS - 2), jobs[:, -2:].sum(axis=1)
    found = forecast_panel(
        use[:, past],
        2,
        LEVELS,
        group=np.repeat(np.arange(15), VANS),
        exposure=jobs[:, past],
        exposure_ahead=ahead,
    )
    assert (found.model == "panel levels per job").all()
    losses = found.backtest.losses
    assert losses["panel levels per job"] < 0.6 * min(
        loss for name, loss in losses.items() if name != "panel levels per job"
    )
    assert found.mean == pytest.approx(use_rate * ahead, rel=0.3, abs=1)
    unknown = forecast_panel(use[:, past], 2, LEVELS, exposure=jobs[:, past])
    assert unknown.backtest.losses["panel levels per job"] > 1.2 * losses["panel levels per job"]
    # What is booked bounds the jobs ahead from below, and says nothing about the past.
    many, none = (
        forecast_panel(use[:, past], 2, LEVELS, exposure=jobs[:, past], exposure_at_least=booked)
        for booked in (3 * ahead, 0 * ahead)
    )
    assert many.backtest.losses == unknown.backtest.losses
    assert (none.mean == unknown.mean).all()
    assert many.mean.sum() > 2 * unknown.mean.sum()


def test_a_season_is_used_where_two_years_show_it_and_not_before() -> None:
    chance = np.random.default_rng(8)
    weeks = np.arange(160)
    season = np.exp(1.2 * np.sin(2 * np.pi * weeks / 52))
    use = chance.poisson(season * chance.gamma(3, 0.7, (150, 1))).astype(float)
    found = forecast_panel(use[:, :156], 4, LEVELS, season_length=52)
    assert (found.model == "panel levels with season").mean() > 0.9
    truth = use[:, 156:].sum()
    assert found.mean.sum() == pytest.approx(truth, rel=0.15)
    early = forecast_panel(use[:, :100], 4, LEVELS, season_length=52)
    assert "panel levels with season" not in early.backtest.losses


def test_jobs_ahead_that_are_not_known_follow_the_season_of_jobs() -> None:
    chance = np.random.default_rng(6)
    weeks = np.arange(160)
    season = np.exp(1.2 * np.sin(2 * np.pi * weeks / 52))
    jobs = chance.poisson(6 * season, (VANS, 160)).astype(float)
    use = chance.poisson(1.5 * jobs).astype(float)
    found, level = (
        forecast_panel(use[:, :150], 6, LEVELS, exposure=jobs[:, :150], season_length=length)
        for length in (52, None)
    )
    truth = use[:, 150:156].sum()
    # The season turns from its depth: the level alone lags far behind.
    assert found.mean.sum() == pytest.approx(truth, rel=0.15)
    assert abs(level.mean.sum() - truth) > 2 * abs(found.mean.sum() - truth)
    name = "panel levels per job"
    assert found.backtest.losses[name] < level.backtest.losses[name]


def test_equal_calls_have_equal_answers() -> None:
    use, group = drawn()
    first, second = (forecast_panel(use, 2, LEVELS, group=group) for _ in range(2))
    assert (first.mean == second.mean).all()
    assert (first.quantiles == second.quantiles).all()


GOOD = np.ones((3, 10))


def spoilt(value: float) -> FloatArray:
    array = GOOD.copy()
    array[2, 7] = value
    return array


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, -1.0])
def test_impossible_amounts_are_refused_with_their_place(value: float) -> None:
    with pytest.raises(ValueError, match=r"history: .* at series 2, period 7 is not a number"):
        forecast_panel(spoilt(value), 2, LEVELS)
    with pytest.raises(ValueError, match=r"exposure: .* at series 2, period 7"):
        forecast_panel(GOOD, 2, LEVELS, exposure=spoilt(value))
    with pytest.raises(ValueError, match=r"exposure_ahead: .* at series 1 is not"):
        forecast_panel(GOOD, 2, LEVELS, exposure=GOOD, exposure_ahead=[1, value, 1])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"history": np.empty((0, 5))}, "history of shape"),
        ({"history": np.empty((5, 0))}, "history of shape"),
        ({"history": np.ones(5)}, "history of shape"),
        ({"periods_ahead": 0}, "periods_ahead 0"),
        ({"levels": []}, "levels of shape"),
        ({"levels": [0.5, 1.0]}, "levels: 1.0"),
        ({"levels": [np.nan]}, "levels: nan"),
        ({"group": [1, 2]}, "group of shape"),
        ({"group": np.array([1, "a", None], dtype=object)}, "group: labels"),
        ({"exposure": np.ones((3, 9))}, "exposure of shape"),
        ({"observed": np.ones((2, 10))}, "observed of shape"),
        ({"exposure": GOOD, "exposure_ahead": [1.0]}, "exposure_ahead of shape"),
        ({"exposure_ahead": [1.0, 1, 1]}, "exposure_ahead is given without exposure"),
        ({"exposure": GOOD, "exposure_at_least": [1.0]}, "exposure_at_least of shape"),
    ],
)
def test_misshapen_input_is_refused(arguments: dict[str, object], message: str) -> None:
    whole: dict[str, Any] = {"history": GOOD, "periods_ahead": 2, "levels": LEVELS, **arguments}
    with pytest.raises(ValueError, match=message):
        forecast_panel(**whole)
