"""What holds for every panel: quantiles in order, never negative, whatever the series' order or unit."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from forecasting.demand.panel_forecast import forecast_panel
from tests.thoroughness import examples

LEVELS = np.array([0.1, 0.5, 0.8, 0.9, 0.95, 0.99])
SHAPES = st.tuples(st.integers(1, 12), st.integers(1, 30))
COUNTS = SHAPES.flatmap(
    lambda shape: arrays.arrays(
        float,
        shape,
        elements=st.one_of(st.just(0.0), st.integers(0, 9).map(float), st.integers(0, 5000).map(float)),
    )
)
AMOUNTS = SHAPES.flatmap(
    lambda shape: arrays.arrays(float, shape, elements=st.one_of(st.just(0.0), st.floats(0.01, 500)))
)


def labels(data: st.DataObject, series: int) -> npt.NDArray[Any]:
    return np.array(data.draw(st.lists(st.integers(0, 3), min_size=series, max_size=series)))


@settings(max_examples=examples(40))
@given(st.one_of(COUNTS, AMOUNTS), st.integers(1, 4), st.data())
def test_quantiles_never_cross_and_are_never_negative(
    history: npt.NDArray[np.float64], periods_ahead: int, data: st.DataObject
) -> None:
    found = forecast_panel(history, periods_ahead, LEVELS, group=labels(data, len(history)))
    assert np.isfinite(found.quantiles).all()
    assert (np.diff(found.quantiles, axis=1) >= 0).all()
    assert (found.quantiles >= 0).all()
    assert (found.mean >= 0).all()


@settings(max_examples=examples(20))
@given(COUNTS)
def test_whole_numbers_have_whole_quantiles(history: npt.NDArray[np.float64]) -> None:
    found = forecast_panel(history, 2, LEVELS)
    assert (found.quantiles == np.floor(found.quantiles)).all()


@settings(max_examples=examples(25))
@given(st.one_of(COUNTS, AMOUNTS), st.data())
def test_the_order_of_series_makes_no_difference(
    history: npt.NDArray[np.float64], data: st.DataObject
) -> None:
    group = labels(data, len(history))
    order = np.array(data.draw(st.permutations(range(len(history)))))
    first = forecast_panel(history, 2, LEVELS, group=group)
    second = forecast_panel(history[order], 2, LEVELS, group=group[order])
    assert second.mean == pytest.approx(first.mean[order], rel=1e-6)
    assert second.quantiles == pytest.approx(first.quantiles[order], rel=1e-6)
    assert second.reason.tolist() == first.reason[order].tolist()


@settings(max_examples=examples(25))
@given(AMOUNTS, st.sampled_from([1 / 1024, 0.25, 8.0]))
def test_measured_demand_scales(history: npt.NDArray[np.float64], factor: float) -> None:
    # Half a hundredth keeps every amount a fraction, in either unit.
    measured = np.where(history > 0, np.floor(history) + 0.005, 0.0)
    first = forecast_panel(measured, 2, LEVELS)
    second = forecast_panel(measured * factor, 2, LEVELS)
    assert second.mean == pytest.approx(first.mean * np.where(measured.any(axis=1), factor, 1), rel=1e-6)
    assert second.quantiles == pytest.approx(
        first.quantiles * np.where(measured.any(axis=1), factor, 1)[:, None], rel=1e-6
    )


@settings(max_examples=examples(15))
@given(COUNTS, st.lists(st.floats(0.02, 0.99), min_size=1, max_size=5))
def test_a_level_has_its_quantile_whatever_other_levels_are_asked_for(
    history: npt.NDArray[np.float64], levels: list[float]
) -> None:
    # In a short history no model is chosen by the levels asked for.
    short = history[:, :4]
    alone = [forecast_panel(short, 1, [level]).quantiles[:, 0] for level in levels]
    assert np.column_stack(alone) == pytest.approx(forecast_panel(short, 1, levels).quantiles)
