"""Other settings of the weekly restock replayed: their levels, day by day. Pure.

Quantities are in usable units, what is handed out as one, so that they can be added up over consumables.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray
from forecasting.stock_control.policy_simulation import SimulationResult, replay
from inventory.weeks import DAYS_A_WEEK
from shop.common.text import counted

# No service that settings may have is beyond these.
LEAST_SERVICE, MOST_SERVICE = 0.5, 0.999


@dataclass(frozen=True, slots=True)
class Setting:
    """One way to restock. `misses` multiplies the chance of running out that the service in force leaves."""

    name: str
    review_days: int
    lead_days: int
    misses: float = 1.0

    @property
    def interval_days(self) -> int:
        """The time that a level must cover."""
        return self.review_days + self.lead_days


def alternatives(review_days: int, lead_days: int) -> list[Setting]:
    """The settings in force first, then others, one thing changed in each."""
    reviews = [days for days in (DAYS_A_WEEK, 2 * DAYS_A_WEEK) if days != review_days]
    leads = [days for days in sorted({lead_days // 2, 2 * lead_days or 1}) if days != lead_days]
    return [
        Setting("in force", review_days, lead_days),
        Setting("half the shortages", review_days, lead_days, 0.5),
        Setting("twice the shortages", review_days, lead_days, 2.0),
        *(Setting(f"review every {days} days", days, lead_days) for days in reviews),
        *(Setting(f"lead time {counted(days, 'day')}", review_days, days) for days in leads),
    ]


@dataclass(frozen=True)
class Panel:
    """The past of series, one consumable at one van each, from a Monday on.

    `demand` (series, days). `quantiles` (weeks, weeks ahead, series, probabilities) of the forecast made
    before each week, over 1, 2, ... weeks ahead; 0 where none was possible. `service` and `room` (series,);
    room is infinite where it is not limited. `whole` (series,): only whole units exist.
    """

    demand: FloatArray
    quantiles: FloatArray
    probabilities: FloatArray
    service: FloatArray
    room: FloatArray
    whole: BoolArray


def play(panel: Panel, setting: Setting, *, skip_days: int) -> SimulationResult:
    """Replay a setting; a shortage is owed, for its job is done when the stock has come."""
    service = np.clip(1 - setting.misses * (1 - panel.service), LEAST_SERVICE, MOST_SERVICE)
    weekly = np.stack(
        [
            level_over_days(quantiles, panel.probabilities, service, setting.interval_days)
            for quantiles in panel.quantiles
        ],
        axis=1,
    )
    weekly = np.where(panel.whole[:, None], np.ceil(weekly - 1e-9), weekly)
    levels = np.minimum(weekly, panel.room[:, None])
    return replay(
        panel.demand,
        np.repeat(levels, DAYS_A_WEEK, axis=1),
        lead_periods=setting.lead_days,
        review_periods=setting.review_days,
        backorders=True,
        usable_unit=panel.whole.astype(float),
        skip_periods=skip_days,
    )


def level_over_days(
    quantiles: FloatArray, probabilities: Sequence[float] | FloatArray, service: FloatArray, days: int
) -> FloatArray:
    """The burn of some days that is not exceeded with the chance `service`: (series,).

    `quantiles` (weeks ahead, series, probabilities). As
    `forecasting.replenishment.protection_interval.over_days` has it,
    for all series at once: the quantile nearest the median runs evenly in time, the distance from it with
    the root of time.
    """
    wanted = np.asarray(probabilities, dtype=float)
    middle = quantiles[:, :, int(np.argmin(np.abs(wanted - 0.5)))]
    spread = _at(quantiles, wanted, service) - middle
    weeks = days / DAYS_A_WEEK
    ahead = len(quantiles)
    if weeks >= ahead:
        level = middle[-1] * (weeks / ahead) + spread[-1] * np.sqrt(weeks / ahead)
    else:
        before = int(weeks)
        evenly = weeks - before
        by_root = (np.sqrt(weeks) - np.sqrt(before)) / (np.sqrt(before + 1) - np.sqrt(before))
        start, start_spread = (middle[before - 1], spread[before - 1]) if before else (0.0, 0.0)
        level = start + evenly * (middle[before] - start)
        level = level + start_spread + by_root * (spread[before] - start_spread)
    found: FloatArray = np.maximum(level, 0)
    return found


def _at(quantiles: FloatArray, probabilities: FloatArray, service: FloatArray) -> FloatArray:
    """The quantile at each series' service, in proportion between two; beyond an end, that end."""
    high = np.clip(np.searchsorted(probabilities, service), 1, len(probabilities) - 1)
    low = high - 1
    share = np.clip((service - probabilities[low]) / (probabilities[high] - probabilities[low]), 0, 1)
    series = np.arange(len(service))
    below: FloatArray = quantiles[:, series, low]
    found: FloatArray = below + share * (quantiles[:, series, high] - below)
    return found


@dataclass(frozen=True, slots=True)
class SimulatedOutcome:
    """The result of a setting for some series: shares from 0 to 1, stock in pieces and in money.

    `lasted`: restocks after which nothing was short until the next; `target`: the share of them that the
    service in force aims at; `served`: of the value used, what was there at once. None where there was none.
    """

    lasted: float | None
    target: float
    served: float | None
    pieces: float
    value: float


def outcome(
    panel: Panel, played: SimulationResult, unit_cost: FloatArray, chosen: BoolArray
) -> SimulatedOutcome:
    """Sum up the chosen series, (series,); `unit_cost` (series,) is of a usable unit; pieces are whole."""
    used = float((played.demand * unit_cost)[chosen].sum())
    served = float((played.served * unit_cost)[chosen].sum())
    stock = played.average_stock
    return SimulatedOutcome(
        lasted=float(played.cycle_service[chosen].mean()) if played.cycles else None,
        target=float(panel.service[chosen].mean()),
        served=served / used if used else None,
        pieces=float(stock[chosen & panel.whole].sum()),
        value=float((stock * unit_cost)[chosen].sum()),
    )
