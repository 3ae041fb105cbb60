"""Demand as pandas frames: ISO weeks as rows, (place, consumable) as columns. Pure.

The index of weeks is a `pandas.PeriodIndex` of freq W-SUN: each period is a week of ISO 8601, Monday through
Sunday. The books give rows of ids and whole numbers, such as ten-thousandths of a stock unit; a person may
give any frame of this shape, with labels of their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from forecasting.arrays import BoolArray, FloatArray

ISO_WEEK = "W-SUN"
PLACE, CONSUMABLE = SERIES = ("place", "consumable")


def iso_weeks(first: date, count: int) -> pd.PeriodIndex:
    """Return `count` weeks in a row, from the one that `first` is in."""
    return pd.period_range(first, periods=count, freq=ISO_WEEK, name="week")


def frame(
    rows: Sequence[tuple[int, ...]],
    periods: pd.PeriodIndex,
    series: pd.Index | None = None,
    *,
    first_number: int = 0,
) -> pd.DataFrame:
    """Return the sums of rows as int64, periods as rows and series as columns, 0 where there is no row.

    A row has the labels of its series (place and consumable, or the names of `series`), the number of its
    period, counted from `first_number`, and an amount. Rows of other series and periods are left out;
    without `series` the frame has those of the rows, in order.
    """
    names = list(SERIES if series is None else series.names)
    numbered = np.array(rows, dtype=np.int64).reshape(-1, len(names) + 2)
    table = pd.DataFrame(numbered, columns=[*names, "number", "amount"])
    sums = table.groupby([*names, "number"])["amount"].sum().unstack(fill_value=0)
    numbers = range(first_number, first_number + len(periods))
    across = sums.index if series is None else series
    return sums.reindex(index=across, columns=numbers, fill_value=0).T.set_axis(periods)


def arrays(table: pd.DataFrame) -> FloatArray:
    """Return a frame as (series, periods)."""
    # With this memory layout sums are the same to the last bit, however the frame was made.
    return np.ascontiguousarray(table.to_numpy(dtype=float, na_value=np.nan).T)


def of_each(name: str, table: pd.DataFrame, series: pd.Index) -> pd.DataFrame:
    """Return a column for each series, from one for each place, or for each series in any order.

    Raises ValueError for a place, or series, that is missing or appears twice.
    """
    has, by_place = table.columns, not isinstance(table.columns, pd.MultiIndex)
    wanted = series.get_level_values(0) if by_place else series
    if not has.is_unique:
        raise ValueError(f"{name}: {_label(has[has.duplicated()][0])} appears twice; add its columns up")
    missing = wanted[~wanted.isin(has)]
    if len(missing):
        raise ValueError(f"{name}: {_label(missing[0])} is missing; give one for each place in history")
    return table.reindex(columns=wanted).set_axis(series, axis=1)


@dataclass(frozen=True, slots=True)
class PanelArrays:
    """The frames as arrays: (series, periods), and (series,) of the periods ahead."""

    history: FloatArray
    observed: BoolArray
    exposure: FloatArray | None
    exposure_ahead: FloatArray | None
    exposure_at_least: FloatArray | None


def read(
    history: pd.DataFrame,
    exposure: pd.DataFrame | None,
    exposure_ahead: "pd.Series[Any] | None",
    exposure_at_least: "pd.Series[Any] | None",
) -> PanelArrays:
    """Check the frames of a forecast and return their arrays.

    A week that is NaN in `history` is not observed. Exposures are given by place, or by (place, consumable).
    Raises ValueError, naming place, consumable and week, for what is wrong, and says how to correct it.
    """
    weeks, series = _weeks("history", history.index), _series("history", history.columns)
    use = _numbers("history", history)
    observed = ~np.isnan(use)
    _require_amounts("history", use, observed, history)
    jobs = None
    if exposure is not None:
        if not isinstance(exposure, pd.DataFrame):
            raise ValueError("exposure is not a frame, as history is; give jobs by place in the same weeks")
        if not _weeks("exposure", exposure.index).equals(weeks):
            raise ValueError(
                f"exposure has the weeks {_span(exposure.index)} and history {_span(weeks)}; "
                "give both for the same weeks"
            )
        by_series = of_each("exposure", exposure, series)
        jobs = _numbers("exposure", by_series)
        _require_amounts("exposure", jobs, observed, by_series)
    return PanelArrays(
        history=use,
        observed=observed,
        exposure=jobs,
        exposure_ahead=_ahead("exposure_ahead", exposure_ahead, series),
        exposure_at_least=_ahead("exposure_at_least", exposure_at_least, series),
    )


def _ahead(name: str, given: "pd.Series[Any] | None", series: pd.MultiIndex) -> FloatArray | None:
    if given is None:
        return None
    if not isinstance(given, pd.Series):
        raise ValueError(f"{name} is not a pandas Series; give one with a number for each place")
    by_series = of_each(name, given.to_frame(name).T, series)
    amounts = _numbers(name, by_series)
    _require_amounts(name, amounts, np.ones(amounts.shape, dtype=bool), by_series)
    return amounts[:, 0]


def _weeks(name: str, index: pd.Index) -> pd.PeriodIndex:
    if not isinstance(index, pd.PeriodIndex) or index.freqstr != ISO_WEEK:
        what, to_weeks = type(index).__name__, "to_period"
        if isinstance(index, pd.PeriodIndex):
            what, to_weeks = f"periods of {index.freqstr}", "asfreq"
        raise ValueError(
            f"{name}: the index is {what}, not ISO weeks; add days up to weeks from Monday to Sunday, as by "
            f'frame.groupby(frame.index.{to_weeks}("{ISO_WEEK}")).sum()'
        )
    if not len(index):
        raise ValueError(f"{name} has no weeks; give at least one")
    if index.hasnans:
        raise ValueError(f"{name}: a week has no date (NaT); leave its row out")
    if not index.is_unique:
        week = index[index.duplicated()][0]
        raise ValueError(f"{name}: week {_week(week)} appears twice; add its rows up")
    if not index.is_monotonic_increasing:
        raise ValueError(f"{name}: the weeks are out of order; sort them, as by frame.sort_index()")
    missing = pd.period_range(index[0], index[-1], freq=ISO_WEEK).difference(index)
    if len(missing):
        raise ValueError(
            f"{name}: week {_week(missing[0])} is missing, one of {len(missing)}; give it a row, 0 where "
            "nothing was used and NaN where the week does not count"
        )
    return index


def _series(name: str, columns: pd.Index) -> pd.MultiIndex:
    if not isinstance(columns, pd.MultiIndex) or columns.nlevels != len(SERIES):
        raise ValueError(
            f"{name}: the columns are not (place, consumable); give a MultiIndex of the two, as "
            'frame.pivot_table(index=..., columns=["place", "consumable"], ...) does'
        )
    if tuple(columns.names) == (CONSUMABLE, PLACE):
        raise ValueError(f"{name}: the columns are (consumable, place); turn them with swaplevel(axis=1)")
    if not len(columns):
        raise ValueError(f"{name} has no columns; give at least one (place, consumable)")
    lacking: BoolArray = np.any(np.array(columns.codes) < 0, axis=0)
    nameless = columns[lacking]
    if len(nameless):
        raise ValueError(f"{name}: {_label(nameless[0])} lacks a place or a consumable; name both")
    if not columns.is_unique:
        twice = columns[columns.duplicated()][0]
        raise ValueError(f"{name}: {_label(twice)} appears twice; add its columns up")
    return columns


def _numbers(name: str, table: pd.DataFrame) -> FloatArray:
    for label, dtype in table.dtypes.items():
        if not is_numeric_dtype(dtype):
            raise ValueError(
                f"{name}: {_label(label)} is of type {dtype}, not numbers; change it, as by astype(float)"
            )
    return arrays(table)


def _require_amounts(name: str, amounts: FloatArray, observed: BoolArray, table: pd.DataFrame) -> None:
    wrong = np.argwhere(observed & ~(np.isfinite(amounts) & (amounts >= 0)))
    if len(wrong):
        series, period = wrong[0]
        where, week = _label(table.columns[series]), table.index[period]
        remedy = "correct it"
        if isinstance(week, pd.Period):
            where += f" in week {_week(week)}"
            remedy += ", or make history NaN where the week does not count"
        amount = amounts[series, period]
        raise ValueError(f"{name}: {amount} of {where} is not a number of 0 or more; {remedy}")


def _label(label: object) -> str:
    """Return a series or place as text."""
    parts = label if isinstance(label, tuple) else (label,)
    return ", ".join(f"{name} {part}" for name, part in zip(SERIES, parts, strict=False))


def _week(week: pd.Period) -> str:
    """Return the ISO week of a period, such as 2026-W48."""
    return week.start_time.strftime("%G-W%V")


def _span(weeks: pd.Index) -> str:
    return f"{_week(weeks[0])} to {_week(weeks[-1])}"
