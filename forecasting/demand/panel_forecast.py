"""The burn forecast: a distribution of the demand ahead for every series of a panel at once. Pure.

Every model is fitted to windows of the past and tested at later origins of the past. Each class of demand
uses the model with the least loss. At an origin of the backtest only what was known by then counts, so the
backtest shows the forecasts that the shop would have had.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
import numpy.typing as npt
import pandas as pd
from threadpoolctl import threadpool_limits

from forecasting.arrays import FloatArray, StrArray
from forecasting.demand import accuracy, frames
from forecasting.demand import demand_panel as past
from forecasting.demand.accuracy import Backtest
from forecasting.demand.candidate_models import candidates
from forecasting.demand.demand_panel import DemandHistory
from forecasting.demand.model_selection import ModelSelection, fit_origins, test_origins


@dataclass(frozen=True)
class PanelForecast:
    """Demand summed over the periods ahead: mean, model and reason (series,), quantiles (series, levels).

    Quantiles are whole numbers where all use of the consumable was.
    """

    mean: FloatArray
    quantiles: FloatArray
    model: StrArray
    reason: StrArray
    backtest: Backtest


@overload
def forecast_panel(
    history: pd.DataFrame,
    periods_ahead: int,
    levels: Sequence[float] | FloatArray,
    *,
    exposure: pd.DataFrame | None = None,
    exposure_ahead: "pd.Series[Any] | None" = None,
    exposure_at_least: "pd.Series[Any] | None" = None,
    season_length: int | None = None,
) -> pd.DataFrame: ...


@overload
def forecast_panel(
    history: npt.ArrayLike,
    periods_ahead: int,
    levels: Sequence[float] | FloatArray,
    *,
    group: Sequence[object] | npt.NDArray[Any] | None = None,
    exposure: npt.ArrayLike | None = None,
    exposure_ahead: npt.ArrayLike | None = None,
    exposure_at_least: npt.ArrayLike | None = None,
    observed: npt.ArrayLike | None = None,
    season_length: int | None = None,
) -> PanelForecast: ...


def forecast_panel(
    history: npt.ArrayLike | pd.DataFrame,
    periods_ahead: int,
    levels: Sequence[float] | FloatArray,
    *,
    group: Sequence[object] | npt.NDArray[Any] | None = None,
    exposure: Any = None,
    exposure_ahead: Any = None,
    exposure_at_least: Any = None,
    observed: npt.ArrayLike | None = None,
    season_length: int | None = None,
) -> PanelForecast | pd.DataFrame:
    """Forecast the sum over `periods_ahead` for every series of the panel.

    In frames: `history` has ISO weeks (a PeriodIndex of W-SUN) as rows, (place, consumable) as columns, and
    NaN where a week does not count; `exposure` has the same weeks and a column for each place, or for each
    (place, consumable); `exposure_ahead` and `exposure_at_least` are Series by the same. The answer has a row
    for each (place, consumable): `mean`, the quantile at each level under the level itself, and `model`,
    `reason` and `demand_class`. `group` and `observed` follow from the frame.

    In arrays:

    `history`: demand (series, periods), oldest first; `levels`: probabilities between 0 and 1; `group`
    (series,): equal labels for the same consumable on different vans; `exposure`: jobs done (series,
    periods); `exposure_ahead`: jobs over all the periods ahead (series,), where known; the backtest then uses
    the actual jobs. Without it the jobs ahead are forecast, but never below `exposure_at_least` (series,),
    those already booked; `observed`: periods that count (series, periods); `season_length` in periods, used
    where history holds two seasons. Raises ValueError, naming the place, for NaN, infinite, negative, empty
    or misshapen input.
    """
    if isinstance(history, pd.DataFrame):
        if group is not None or observed is not None:
            raise ValueError(
                "group and observed go with arrays; a frame has consumables in its columns, and NaN in weeks "
                "that were not observed"
            )
        return _forecast_frame(
            history,
            periods_ahead,
            levels,
            exposure=exposure,
            exposure_ahead=exposure_ahead,
            exposure_at_least=exposure_at_least,
            season_length=season_length,
        )
    panel = past.read(history, group, exposure, observed)
    wanted = _checked_levels(levels)
    if periods_ahead < 1:
        raise ValueError(f"periods_ahead {periods_ahead} is less than 1 period; give the periods to cover")
    tests = test_origins(panel.periods, periods_ahead)
    known = tests[0] if tests else panel.periods
    windows = fit_origins(panel.periods, known, periods_ahead, len(panel.demand))
    models = candidates(
        panel,
        periods_ahead,
        [*windows, *tests, panel.periods],
        exposure_ahead=_checked_ahead("exposure_ahead", exposure_ahead, panel, given=exposure is not None),
        exposure_at_least=_checked_ahead(
            "exposure_at_least", exposure_at_least, panel, given=exposure is not None
        ),
        by_jobs=exposure is not None,
        season_length=season_length,
        season_known=known,
    )
    selection = ModelSelection(panel, periods_ahead, wanted, models)
    # The products are too small to share among threads, and one thread rounds alike on every machine.
    with threadpool_limits(limits=1, user_api="blas"):
        mean, quantiles, choice = selection.run(windows, tests)
    quantiles = quantiles * panel.unit[:, None]
    names = np.array([model.name for model in models])[choice]
    classes = accuracy.demand_classes(panel.demand, panel.observed)
    return PanelForecast(
        mean=panel.restored(mean * panel.unit),
        # Adding 0 turns the negative zero that rounding up may give into an ordinary zero.
        quantiles=panel.restored(np.where(panel.whole[:, None], np.ceil(quantiles - 1e-9) + 0.0, quantiles)),
        model=panel.restored(names),
        reason=panel.restored(_reasons(panel, classes, tried=bool(selection.outcomes))),
        backtest=accuracy.score(
            panel,
            selection.outcomes,
            periods_ahead=periods_ahead,
            levels=wanted,
            classes=classes,
            losses=selection.losses_by_name(),
        ),
    )


def _forecast_frame(
    history: pd.DataFrame,
    periods_ahead: int,
    levels: Sequence[float] | FloatArray,
    *,
    exposure: pd.DataFrame | None,
    exposure_ahead: "pd.Series[Any] | None",
    exposure_at_least: "pd.Series[Any] | None",
    season_length: int | None,
) -> pd.DataFrame:
    panel = frames.read(history, exposure, exposure_ahead, exposure_at_least)
    found = forecast_panel(
        panel.history,
        periods_ahead,
        levels,
        group=history.columns.get_level_values(1).to_numpy(),
        exposure=panel.exposure,
        exposure_ahead=panel.exposure_ahead,
        exposure_at_least=panel.exposure_at_least,
        observed=panel.observed,
        season_length=season_length,
    )
    quantiles = dict(zip(np.asarray(levels, dtype=float).tolist(), found.quantiles.T, strict=True))
    return pd.DataFrame(
        {
            "mean": found.mean,
            **quantiles,
            "model": found.model,
            "reason": found.reason,
            "demand_class": found.backtest.classes,
        },
        index=history.columns,
    )


def _checked_levels(levels: Sequence[float] | FloatArray) -> FloatArray:
    wanted = np.asarray(levels, dtype=float)
    if wanted.ndim != 1 or not len(wanted):
        raise ValueError(f"levels of shape {wanted.shape} are not a row of at least one probability")
    for level in wanted[~((wanted > 0) & (wanted < 1))]:
        raise ValueError(f"levels: {level} is not a probability between 0 and 1, both excluded")
    return wanted


def _checked_ahead(
    name: str, jobs_ahead: npt.ArrayLike | None, panel: DemandHistory, *, given: bool
) -> FloatArray | None:
    if jobs_ahead is None:
        return None
    if not given:
        raise ValueError(f"{name} is given without exposure; give the jobs of the past as well")
    ahead = np.asarray(jobs_ahead, dtype=float)
    if ahead.shape != panel.unit.shape:
        raise ValueError(f"{name} of shape {ahead.shape} does not give one number for each series")
    past.require_amounts(name, ahead)
    return ahead[panel.order]


def _reasons(panel: DemandHistory, classes: StrArray, *, tried: bool) -> StrArray:
    """The reason of each series' forecast, (series,); unusual traits come first."""
    traits = panel.traits(panel.periods)
    because = "least loss in the backtest for {} demand" if tried else "too little history for a backtest"
    cases = [
        (traits.seen == 0, "no history: the average of the consumable on other vans"),
        (traits.away, "not observed recently: as it was before, nearer to the average of other vans"),
        (traits.short, "short history: near the average of the consumable on other vans"),
        (traits.times == 0, "never used: a small chance remains, taken from other vans"),
        (traits.times == 1, "used once: nearer to the average of the consumable on other vans"),
        (traits.stopped, "not used recently: the forecast fades"),
    ]
    usual = np.array([because.format(name) for name in accuracy.CLASSES])[
        np.argmax(classes[:, None] == np.array(accuracy.CLASSES), axis=1)
    ]
    return np.select([case for case, _ in cases], [reason for _, reason in cases], usual).astype(np.str_)
