"""A panel of past demand: checked, in units that can be counted, in a canonical order. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from forecasting.arrays import BoolArray, FloatArray, IntArray

# A measured consumable, or one used by the hundred, is counted in quarters of its usual use. This does not
# depend on its unit, and is coarse enough for a distribution of counts to have the right shape.
STEPS_OF_USUAL_USE = 4
USUAL_COUNT_MAX = 200.0
# A history with fewer observed periods is short; a van that was not observed for as many has been away.
SHORT_HISTORY = 8
# After a pause this many times the usual wait between uses, and as long as a short history, use has stopped.
STOPPED_WAITS = 4


@dataclass(frozen=True)
class Traits:
    """What is unusual about each series, (series,): periods seen, times used, short, away or stopped."""

    seen: IntArray
    times: IntArray
    short: BoolArray
    away: BoolArray
    stopped: BoolArray

    @property
    def says_little(self) -> BoolArray:
        """Whether the series alone is too little to go by."""
        return self.short | (self.times <= 1)


@dataclass(frozen=True)
class DemandHistory:
    """Past demand and jobs (`exposure`), both (series, periods).

    Demand is in units of `unit` (series,). `whole` says whether all use is in whole numbers; series of the
    same consumable have the same number in `group`.
    """

    demand: FloatArray
    exposure: FloatArray
    observed: BoolArray
    group: IntArray
    unit: FloatArray
    whole: BoolArray
    order: IntArray
    """Row i of this panel is row order[i] of the caller's."""

    @property
    def periods(self) -> int:
        """Number of past periods."""
        return int(self.demand.shape[1])

    def traits(self, origin: int) -> Traits:
        """What is unusual about the series, as known before the origin."""
        observed, some = self.observed[:, :origin], self.demand[:, :origin] > 0
        back = np.arange(origin)[::-1]
        seen, times = observed.sum(axis=1), some.sum(axis=1)
        away = np.where(observed, back, origin).min(axis=1)
        # Periods that were not observed since the last use do not count as a pause.
        idle = np.where(some, np.cumsum(observed[:, ::-1], axis=1)[:, ::-1] - 1, origin).min(axis=1)
        return Traits(
            seen=seen,
            times=times,
            short=seen < SHORT_HISTORY,
            away=away >= SHORT_HISTORY,
            stopped=(idle >= SHORT_HISTORY) & (idle * times > STOPPED_WAITS * seen),
        )

    def restored(self, rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Rows of results in the caller's order."""
        back = np.empty_like(rows)
        back[self.order] = rows
        return back


def read(
    history: npt.ArrayLike,
    group: Sequence[object] | npt.NDArray[Any] | None,
    exposure: npt.ArrayLike | None,
    observed: npt.ArrayLike | None,
) -> DemandHistory:
    """Check the arrays and return the panel that the models read.

    Raises ValueError, naming series and period, for values that are NaN, infinite or negative, and for arrays
    that are empty or of another shape. Periods that were not observed may hold anything.
    """
    raw = np.asarray(history, dtype=float)
    if raw.ndim != 2 or 0 in raw.shape:
        raise ValueError(f"history of shape {raw.shape} is not (series, periods) with at least one of each")
    seen = np.ones(raw.shape, bool) if observed is None else np.asarray(observed, dtype=bool)
    jobs = np.ones(raw.shape) if exposure is None else np.asarray(exposure, dtype=float)
    for name, array in (("observed", seen), ("exposure", jobs)):
        if array.shape != raw.shape:
            raise ValueError(f"{name} of shape {array.shape} does not fit history of shape {raw.shape}")
    demand = np.where(seen, raw, 0.0)
    jobs = np.where(seen, jobs, 0.0)
    require_amounts("history", demand)
    require_amounts("exposure", jobs)
    consumable = _group_numbers(group, len(raw))
    unit, whole = _units(demand, consumable)
    order = _canonical_order(demand, jobs, consumable)
    # Numbered by first appearance, so that labels make no difference either.
    first = np.unique(consumable[order], return_index=True)[1]
    consumable = np.argsort(np.argsort(first))[consumable]
    return DemandHistory(
        demand=(demand / unit[:, None])[order],
        exposure=jobs[order],
        observed=seen[order],
        group=consumable[order],
        unit=unit[order],
        whole=whole[order],
        order=order,
    )


def require_amounts(name: str, array: FloatArray) -> None:
    """Raise ValueError, naming the place, unless all amounts are finite and 0 or more."""
    wrong = ~(np.isfinite(array) & (array >= 0))
    if wrong.any():
        place = tuple(int(index) for index in np.argwhere(wrong)[0])
        where = ", ".join(f"{axis} {index}" for axis, index in zip(("series", "period"), place, strict=False))
        raise ValueError(
            f"{name}: {array[place]} at {where} is not a number of 0 or more; "
            "correct it or mark it not observed"
        )


def _group_numbers(group: Sequence[object] | npt.NDArray[Any] | None, series: int) -> IntArray:
    if group is None:
        return np.arange(series)
    labels = np.asarray(group)
    if labels.shape != (series,):
        raise ValueError(f"group of shape {labels.shape} does not give one label for each of {series} series")
    try:
        return np.unique(labels, return_inverse=True)[1].astype(np.intp)
    except TypeError as reason:
        raise ValueError(f"group: labels that sorting cannot distinguish ({reason}); give text") from reason


def _units(demand: FloatArray, group: IntArray) -> tuple[FloatArray, BoolArray]:
    """For each series: the unit its consumable is counted in, and whether all use was in whole numbers."""
    times = np.bincount(group, (demand > 0).sum(axis=1))
    usual = np.bincount(group, demand.sum(axis=1)) / np.maximum(times, 1)
    broken = np.bincount(group, (demand != np.floor(demand)).sum(axis=1)) > 0
    counted = ~broken & (usual <= USUAL_COUNT_MAX)
    unit = np.where(counted | (times == 0), 1.0, usual / STEPS_OF_USUAL_USE)
    return unit[group], ~broken[group]


def _canonical_order(demand: FloatArray, exposure: FloatArray, group: IntArray) -> IntArray:
    """Order by total, group and two weighted sums of the periods: equal keys mean equal series."""
    periods = np.arange(demand.shape[1])
    mixes = demand @ np.cos(periods), exposure @ np.sqrt(1.0 + periods), group, demand.sum(axis=1)
    return np.lexsort(mixes)
