"""Forecasts in pandas frames, as somebody at a notebook makes them, and frames that cannot be read."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from forecasting.demand import forecast_panel
from forecasting.demand.frames import SERIES, frame, iso_weeks

DEMO = Path(__file__).parents[3] / "fixtures" / "demo"
LEVELS = (0.5, 0.9, 0.99)
MONDAY = date(2025, 12, 15)
WEEKS = 30


def use() -> pd.DataFrame:
    """Return 30 weeks, over the turn of a year, of discs and pads on two vans."""
    rates = {("van-a", "disc"): 4.0, ("van-a", "pad"): 0.5, ("van-b", "disc"): 2.5, ("van-b", "pad"): 0.8}
    drawn = np.random.default_rng(3).poisson(list(rates.values()), (WEEKS, len(rates)))
    return pd.DataFrame(drawn, iso_weeks(MONDAY, WEEKS), pd.MultiIndex.from_tuples(rates)).astype(float)


def jobs(columns: list[str] | pd.Index) -> pd.DataFrame:
    drawn = np.random.default_rng(4).poisson(5, (WEEKS, 2)) + 1
    by_van = pd.DataFrame(drawn, index=iso_weeks(MONDAY, WEEKS), columns=["van-b", "van-a"])
    if isinstance(columns, list):
        return by_van[columns]
    return by_van[columns.get_level_values(0)].set_axis(columns, axis=1)


def test_a_notebook_goes_from_files_to_forecasts() -> None:
    uses, done = pd.read_csv(DEMO / "uses.csv"), pd.read_csv(DEMO / "jobs.csv")
    done["week"] = pd.to_datetime(done["closed_at"].str[:10]).dt.to_period("W-SUN")
    lines = uses.merge(done, on="job").rename(columns={"van": "place"})
    weeks = pd.period_range(done["week"].min(), done["week"].max(), freq="W-SUN")
    history = lines.pivot_table(
        index="week", columns=["place", "consumable"], values="quantity", aggfunc="sum", fill_value=0
    ).reindex(weeks, fill_value=0)
    by_van = done.pivot_table(index="week", columns="van", values="job", aggfunc="count", fill_value=0)
    # The first van was off the road for three weeks, which say nothing about what it needs.
    history.loc["2026-03-02":"2026-03-22", history.columns[0][0]] = np.nan

    found = forecast_panel(history, 2, LEVELS, exposure=by_van.reindex(weeks, fill_value=0), season_length=52)

    assert found.index.equals(history.columns)
    assert found.columns.to_list() == ["mean", *LEVELS, "model", "reason", "demand_class"]
    assert (found[0.5] <= found[0.9]).all()
    assert (found[0.9] <= found[0.99]).all()
    recent = history.tail(26).mean() * 2
    assert np.corrcoef(found["mean"], recent)[0, 1] > 0.95


def test_a_frame_forecasts_what_its_arrays_do() -> None:
    history = use()
    history.iloc[5:9, 1] = np.nan
    exposure, booked = jobs(["van-a", "van-b"]), pd.Series({"van-b": 20, "van-a": 3})
    found = forecast_panel(history, 3, LEVELS, exposure=exposure, exposure_at_least=booked)
    arrays = forecast_panel(
        history.to_numpy().T,
        3,
        LEVELS,
        group=["disc", "pad", "disc", "pad"],
        exposure=exposure.to_numpy().T[[0, 0, 1, 1]],
        exposure_at_least=[3, 3, 20, 20],
        observed=history.notna().to_numpy().T,
    )
    assert found["mean"].tolist() == pytest.approx(arrays.mean.tolist(), rel=1e-12)
    assert found[list(LEVELS)].to_numpy().tolist() == arrays.quantiles.tolist()
    assert found["model"].tolist() == arrays.model.tolist()
    assert found["reason"].tolist() == arrays.reason.tolist()
    assert found["demand_class"].tolist() == arrays.backtest.classes.tolist()


def test_jobs_are_given_by_place_in_any_order_or_by_series() -> None:
    history = use()
    by_place = forecast_panel(history, 2, LEVELS, exposure=jobs(["van-b", "van-a"]))
    pd.testing.assert_frame_equal(
        by_place, forecast_panel(history, 2, LEVELS, exposure=jobs(history.columns))
    )
    ahead = pd.Series(range(4, 8), index=history.columns)
    known = forecast_panel(history, 2, LEVELS, exposure=jobs(history.columns), exposure_ahead=ahead)
    turned = forecast_panel(history, 2, LEVELS, exposure=jobs(history.columns), exposure_ahead=ahead[::-1])
    pd.testing.assert_frame_equal(known, turned)


def test_a_week_that_is_nan_does_not_count_and_one_of_0_does() -> None:
    idle, away = use(), use()
    idle.iloc[-12:, 0], away.iloc[-12:, 0] = 0, np.nan
    expected = {name: forecast_panel(rows, 2, LEVELS).iloc[0] for name, rows in (("0", idle), ("nan", away))}
    assert expected["0"]["mean"] < 0.5 * expected["nan"]["mean"]
    assert expected["0"]["reason"].startswith("not used recently")
    assert expected["nan"]["reason"].startswith("not observed recently")


def test_whole_numbers_of_pandas_own_types_are_read_with_their_gaps() -> None:
    history = use()
    history.iloc[2, 3] = np.nan
    pd.testing.assert_frame_equal(
        forecast_panel(history.astype("Int64"), 2, LEVELS), forecast_panel(history, 2, LEVELS)
    )


def test_rows_become_sums_by_week_and_series() -> None:
    weeks = iso_weeks(date(2026, 12, 21), 3)
    assert weeks.start_time.strftime("%G-W%V").tolist() == ["2026-W52", "2026-W53", "2027-W01"]
    assert [(week.start_time.date(), week.end_time.date()) for week in weeks[:1]] == [
        (date(2026, 12, 21), date(2026, 12, 27))
    ]
    rows = [(7, 3, 1, 20_000), (7, 3, 1, 5_000), (7, 2, 0, 10_000), (9, 3, 2, 2**62)]
    found = frame(rows, weeks)
    assert found.columns.equals(pd.MultiIndex.from_tuples([(7, 2), (7, 3), (9, 3)]))
    assert found.columns.names == list(SERIES)
    assert (found.dtypes == np.int64).all()
    assert found.to_numpy().tolist() == [[10_000, 0, 0], [0, 25_000, 0], [0, 0, 2**62]]
    chosen = pd.MultiIndex.from_tuples([(9, 3), (8, 1)], names=SERIES)
    later = frame(rows, weeks, chosen, first_number=1)
    assert later.to_numpy().tolist() == [[0, 0], [2**62, 0], [0, 0]]
    assert frame([], weeks).shape == (3, 0)
    assert (frame([], weeks, chosen).to_numpy() == 0).all()


def with_amount(amount: float) -> pd.DataFrame:
    history = use()
    history.iloc[7, 2] = amount
    return history


def daily(frequency: str | None) -> pd.DataFrame:
    days = pd.date_range(MONDAY, periods=WEEKS, freq="D")
    return use().set_axis(days.to_period(frequency) if frequency else days)


def text() -> pd.DataFrame:
    return use().map(str)


NAMELESS = pd.MultiIndex.from_tuples([("van-a", "disc"), ("van-a", "pad"), ("van-b", None), ("van-b", "pad")])


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: daily(None), r"index is DatetimeIndex, not ISO weeks; add days up to weeks .*W-SUN"),
        (lambda: daily("D"), r"index is periods of D, not ISO weeks; .*index\.asfreq"),
        (
            lambda: use().set_axis(pd.period_range(MONDAY, periods=WEEKS, freq="W-MON")),
            "periods of W-MON, not ISO weeks",
        ),
        (lambda: use().reset_index(drop=True), "index is RangeIndex, not ISO weeks"),
        (lambda: use().iloc[:0], "history has no weeks"),
        (lambda: use().iloc[::-1], r"weeks are out of order; sort them"),
        (
            lambda: use().drop(use().index[[3, 9]]),
            r"week 2026-W02 is missing, one of 2; give it a row, 0 where",
        ),
        (lambda: pd.concat([use(), use().iloc[[4]]]), r"week 2026-W03 appears twice; add its rows up"),
        (lambda: use().iloc[:, [0, 1, 0]], r"place van-a, consumable disc appears twice"),
        (lambda: use().iloc[:, :0], r"history has no columns"),
        (
            lambda: use().rename_axis(columns=["consumable", "place"]),
            r"\(consumable, place\); turn them with",
        ),
        (lambda: use()["van-a"], r"columns are not \(place, consumable\); give a MultiIndex"),
        (
            lambda: use().set_axis(NAMELESS, axis=1),
            r"place van-b, consumable nan lacks a place or a consumable",
        ),
        (
            lambda: with_amount(-2),
            r"history: -2.0 of place van-b, consumable disc in week 2026-W06 is not a num",
        ),
        (lambda: with_amount(np.inf), r"history: inf of place van-b, consumable disc in week 2026-W06"),
        (text, r"place van-a, consumable disc is of type \w+, not numbers; change it, as by astype\(float\)"),
    ],
)
def test_a_frame_that_is_no_panel_is_refused_with_the_place_and_the_remedy(
    make: Callable[[], pd.DataFrame], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        forecast_panel(make(), 2, LEVELS)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: jobs(["van-a"]), r"exposure: place van-b is missing; give one for each place"),
        (lambda: jobs(["van-a", "van-b", "van-a"]), r"exposure: place van-a appears twice"),
        (lambda: jobs(use().columns[:3]), r"exposure: place van-b, consumable pad is missing"),
        (
            lambda: jobs(["van-a", "van-b"]).iloc[1:],
            r"weeks 2025-W52 to 2026-W28 and history 2025-W51 to 2026-W28",
        ),
        (
            lambda: -jobs(["van-a", "van-b"]),
            r"exposure: -\d+.0 of place van-a, consumable disc in week 2025-W51",
        ),
        (lambda: jobs(["van-a", "van-b"]).to_numpy(), r"exposure is not a frame"),
    ],
)
def test_jobs_that_do_not_fit_are_refused(make: Callable[[], pd.DataFrame], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        forecast_panel(use(), 2, LEVELS, exposure=make())


def test_jobs_ahead_that_do_not_fit_are_refused() -> None:
    done = jobs(["van-a", "van-b"])
    for ahead, message in (
        (pd.Series({"van-a": 1}), "exposure_ahead: place van-b is missing"),
        (
            pd.Series({"van-a": 1, "van-b": np.nan}),
            r"exposure_ahead: nan of place van-b, consumable disc is not",
        ),
        ([1, 2, 3, 4], "exposure_ahead is not a pandas Series"),
    ):
        with pytest.raises(ValueError, match=message):
            forecast_panel(use(), 2, LEVELS, exposure=done, exposure_ahead=ahead)
    with pytest.raises(ValueError, match="exposure_ahead is given without exposure"):
        forecast_panel(use(), 2, LEVELS, exposure_ahead=pd.Series({"van-a": 1, "van-b": 2}))


def test_what_a_frame_says_itself_is_not_given_beside_it() -> None:
    for beside in ({"group": [1, 1, 2, 2]}, {"observed": np.ones((4, WEEKS))}):
        with pytest.raises(ValueError, match="group and observed go with arrays"):
            forecast_panel(use(), 2, LEVELS, **beside)
