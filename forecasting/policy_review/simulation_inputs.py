"""The shop's own past as a panel to replay: what was used day by day, and what forecasts would have said."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecasting.arrays import FloatArray
from forecasting.burn.inputs import HISTORY_WEEKS_MAX, van_panel
from forecasting.burn.runs import LEVELS, WEEKS_A_YEAR
from forecasting.demand.frames import arrays, frame
from forecasting.demand.panel_forecast import forecast_panel
from forecasting.models import ConsumableTerms, ForecastRun, VanSpace, the_terms
from forecasting.policy_review.what_if import Panel
from forecasting.replenishment.inputs import classes_now, service_of
from inventory.db.fixed_point import SCALE
from inventory.models import Consumable, Place
from inventory.reports.iso_weeks import Weeks
from inventory.reports.weekly_consumption import used_consumables, weekly_use
from inventory.weeks import A_WEEK, DAYS_A_WEEK
from shop.costing.last_landed_cost import known_unit_costs
from shop.models import the_shop
from shop.workload.job_counts import jobs_done, regular_work_from

# As short as a history may be for a forecast that rests on its own series:
# forecasting.demand.demand_panel.SHORT_HISTORY.
HISTORY_WEEKS_MIN = 8
ONE_DAY = timedelta(days=1)


class Days(Weeks):
    """Whole days in a row, for the same queries as weeks."""

    __slots__ = ()

    @property
    def starts(self) -> list[datetime]:
        """The moments at which the days start, and last the one at which the last of them ends."""
        return [
            datetime.combine(self.first + number * ONE_DAY, time.min, self.zone).astimezone(UTC)
            for number in range(self.count + 1)
        ]


class CannotReplayError(ValueError):
    """There is nothing to replay, or too little; says what to do."""


@dataclass(frozen=True)
class Past:
    """A panel with what its series are, (series,): van and service class, and the cost of a usable unit."""

    first: date
    panel: Panel
    vans: npt.NDArray[np.str_]
    classes: npt.NDArray[np.str_]
    unit_cost: FloatArray


def read_past(
    first: date,
    weeks: int,
    weeks_ahead: int,
    *,
    now: datetime,
    whenever_recorded: bool,
    progress: Callable[[], object],
) -> Past:
    """Forecast before each week from what was known then, and read what came, from the Monday `first` on.

    With `whenever_recorded` all counts that had happened by then, however late it was written down.
    `progress` is called after each week. Depot and bookings play no part: the depot is assumed to have
    enough, and past bookings are no longer known. Raises CannotReplayError without enough history.
    """
    zone = the_shop().zone
    start = _history_start(first, now, whenever_recorded=whenever_recorded)
    days = pd.period_range(first, periods=weeks * DAYS_A_WEEK, freq="D", name="day")
    came = frame(weekly_use(Days(first, len(days), zone), now), days)
    by_week: list[pd.DataFrame] = []
    for number in range(weeks):
        monday = first + number * A_WEEK
        known_at = now if whenever_recorded else Weeks(monday, 0, zone).start
        by_week.append(_forecasts(start, monday, known_at, weeks_ahead))
        progress()
    series = came.columns
    for forecasts in by_week:
        series = series.union(forecasts.index)
    if series.empty:
        raise CannotReplayError(f"No van used anything from {first} on; there is nothing to replay.")
    return _past(first, weeks_ahead, series, came=came, by_week=by_week, now=now)


def _history_start(first: date, now: datetime, *, whenever_recorded: bool) -> date:
    zone = the_shop().zone
    known_at = now if whenever_recorded else Weeks(first, 0, zone).start
    start = regular_work_from(known_at)
    ever = regular_work_from(now)
    if ever is None:
        raise CannotReplayError("No van has used anything yet; there is nothing to replay.")
    need = HISTORY_WEEKS_MIN * A_WEEK
    if start is None or first - start < need:
        if ever + need <= first:
            raise CannotReplayError(
                f"By {first} less than {HISTORY_WEEKS_MIN} weeks of work had been recorded: what happened "
                "before was written down later, as by an import; add --whenever-recorded to count it."
            )
        raise CannotReplayError(
            f"A forecast needs {HISTORY_WEEKS_MIN} weeks of work before it, and the first was on {ever}: "
            f"replay from {ever + need} on."
        )
    return start


def _forecasts(start: date, monday: date, known_at: datetime, weeks_ahead: int) -> pd.DataFrame:
    """Return the quantiles before a Monday: vans and consumables down, (weeks ahead, levels) across."""
    count = min((monday - start) // A_WEEK, HISTORY_WEEKS_MAX)
    history = Weeks(monday - count * A_WEEK, count, the_shop().zone)
    # A run that is not kept: the replay leaves no trace.
    run = ForecastRun(
        known_at=known_at,
        first_week=history.first,
        weeks=count,
        noted={"vans": sorted({van for van, _, _ in jobs_done(history, known_at)}), "booked": None},
    )
    panel = van_panel(run, used_consumables(history, known_at))
    across = _quantile_columns(weeks_ahead)
    if panel.use.empty:
        return pd.DataFrame(index=panel.use.columns, columns=across, dtype=float)
    found = [
        forecast_panel(panel.demand, ahead, LEVELS, exposure=panel.jobs, season_length=WEEKS_A_YEAR)
        for ahead in range(1, weeks_ahead + 1)
    ]
    quantiles = np.stack([forecasts[list(LEVELS)].to_numpy() for forecasts in found], axis=1)
    # Each is estimated by itself, but more weeks never take less.
    grown = np.maximum.accumulate(quantiles, axis=1)
    return pd.DataFrame(grown.reshape(len(grown), -1), index=panel.use.columns, columns=across)


def _quantile_columns(weeks_ahead: int) -> pd.MultiIndex:
    return pd.MultiIndex.from_product([range(1, weeks_ahead + 1), LEVELS], names=["weeks_ahead", "level"])


def _past(
    first: date,
    weeks_ahead: int,
    series: pd.Index,
    *,
    came: pd.DataFrame,
    by_week: Sequence[pd.DataFrame],
    now: datetime,
) -> Past:
    pairs: list[Any] = series.to_list()  # (place, consumable)
    consumables = Consumable.objects.in_bulk({consumable for _, consumable in pairs})
    places = Place.objects.in_bulk({place for place, _ in pairs})
    terms = the_terms()
    own = {row.pk: row for row in ConsumableTerms.objects.all()}
    classes = classes_now(terms, own, now)
    rooms = {(space.place_id, space.consumable_id): space.quantity for space in VanSpace.objects.all()}
    costs = known_unit_costs(consumables.values())
    unit = np.array([float(own[c].usable_unit) if c in own else 1.0 for _, c in pairs])
    demand = arrays(came.reindex(columns=series, fill_value=0).clip(lower=0) / SCALE)
    # Where a week has no forecast of a series, nothing was foreseen: 0.
    foreseen = [forecasts.reindex(series).fillna(0.0).to_numpy() for forecasts in by_week]
    by_series = np.stack(foreseen).reshape(len(by_week), len(pairs), weeks_ahead, len(LEVELS))
    quantiles = by_series.swapaxes(1, 2)
    panel = Panel(
        demand=demand / unit[:, None],
        quantiles=quantiles / unit[:, None],
        probabilities=np.array(LEVELS),
        service=np.array([float(service_of(classes[c], own.get(c), terms)) for _, c in pairs]),
        room=np.array([float(rooms.get(pair, math.inf)) for pair in pairs]) / unit,
        whole=np.array([consumables[c].comes_whole or c in own for _, c in pairs]),
    )
    return Past(
        first=first,
        panel=panel,
        vans=np.array([places[place].code for place, _ in pairs]),
        classes=np.array([classes[consumable] for _, consumable in pairs]),
        unit_cost=np.array([float(costs.get(consumable, 0)) for _, consumable in pairs]) * unit,
    )
