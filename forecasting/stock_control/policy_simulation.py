"""Replay of an order-up-to policy over known demand, whole panels at once. Pure.

Each period, a day or a week: what was ordered `lead_periods` ago arrives and pays what is owed; every
`review_periods` enough is ordered to bring the position up to the period's level; then demand comes. A level
must therefore last lead + review periods. The caller says whether a shortage is backordered (the job waits,
and is done when stock comes) or lost (bought elsewhere, or no longer needed). Names as in Silver, Pyke and
Thomas, Inventory and Production Management in Supply Chains: (R, S), fill rate, cycle service.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecasting.arrays import FloatArray

# An order that misses a whole unit by rounding alone must not cost a further unit.
UNIT_TOLERANCE = 1e-9


@dataclass(frozen=True)
class SimulationResult:
    """The result: sums over the periods that count, per series (series,), in stock units.

    `served` is demand met from stock at once. `opening` and `ending` are stock after a period's arrivals and
    after its demand, `owed` what was still owed then. A cycle lasts from one possible arrival to the next;
    it `lasted` when nothing was short in it.
    """

    periods: int
    cycles: int
    demand: FloatArray
    served: FloatArray
    opening: FloatArray
    ending: FloatArray
    owed: FloatArray
    lasted: FloatArray

    @property
    def average_stock(self) -> FloatArray:
        """Stock per series, (series,), as if a period's demand came evenly over the period."""
        return (self.opening + self.ending) / (2 * self.periods)

    @property
    def fill_rate(self) -> FloatArray:
        """Share of demand served at once, (series,); NaN where there was no demand."""
        share = np.full_like(self.demand, np.nan)
        return np.divide(self.served, self.demand, out=share, where=self.demand > 0)

    @property
    def cycle_service(self) -> FloatArray:
        """Share of cycles in which nothing was short, (series,); NaN where no cycle was whole."""
        return self.lasted / self.cycles if self.cycles else np.full_like(self.lasted, np.nan)

    def total_fill_rate(self) -> float | None:
        """Share of all demand that was served at once; None where there was no demand."""
        demand = float(self.demand.sum())
        return float(self.served.sum()) / demand if demand else None

    def total_cycle_service(self) -> float | None:
        """Share of all cycles of all series in which nothing was short; None where no cycle was whole."""
        cycles = self.cycles * len(self.lasted)
        return float(self.lasted.sum()) / cycles if cycles else None

    def total_average_stock(self) -> float:
        """Stock of all series together."""
        return float(self.average_stock.sum())


def replay(
    demand: npt.ArrayLike,
    levels: npt.ArrayLike,
    *,
    lead_periods: int,
    review_periods: int,
    backorders: bool,
    usable_unit: npt.ArrayLike = 0.0,
    skip_periods: int = 0,
) -> SimulationResult:
    """Replay the policy over (series, periods) of demand with order-up-to levels of the same shape.

    A level counts in periods of review, the first of which is period 0; make it from what was known before
    that period. The replay starts with stock at the first level. Orders are whole multiples of `usable_unit`,
    one number or (series,), 0 for any quantity. The first `skip_periods` are played but not counted, and
    cycles count that lie wholly in the periods that count.

    Raises ValueError, naming what is wrong, for arrays of other shapes, amounts that are negative, NaN or
    infinite, a lead time under 0 or a review period under 1, and no period left to count.
    """
    wanted, level = np.asarray(demand, dtype=float), np.asarray(levels, dtype=float)
    unit = _checked(wanted, level, np.asarray(usable_unit, dtype=float))
    series, periods = wanted.shape
    _check_times(lead_periods, review_periods, skip_periods, periods)
    # Stock less what is owed: one of the two is always 0.
    net = _whole(level[:, 0], unit)
    arriving, on_order = np.zeros((periods + lead_periods, series)), np.zeros(series)
    served, opening, ending, owed, lasted = (np.zeros(series) for _ in range(5))
    holds, cycles, cycle_start = np.ones(series, dtype=bool), 0, -1
    for period in range(periods):
        if period % review_periods == 0:
            order = _whole(np.maximum(level[:, period] - net - on_order, 0), unit)
            arriving[period + lead_periods] = order
            on_order += order
        net += arriving[period]
        on_order -= arriving[period]
        if period >= lead_periods and (period - lead_periods) % review_periods == 0:
            holds, cycle_start = np.ones(series, dtype=bool), period
        stock = np.maximum(net, 0)
        met = np.minimum(stock, wanted[:, period])
        holds &= met == wanted[:, period]
        net = net - wanted[:, period] if backorders else stock - met
        if period < skip_periods:
            continue
        served += met
        opening += stock
        ending += np.maximum(net, 0)
        owed += np.maximum(-net, 0)
        if cycle_start >= skip_periods and (period + 1 - lead_periods) % review_periods == 0:
            cycles += 1
            lasted += holds
    counted = wanted[:, skip_periods:].sum(axis=1)
    return SimulationResult(periods - skip_periods, cycles, counted, served, opening, ending, owed, lasted)


def _check_times(lead_periods: int, review_periods: int, skip_periods: int, periods: int) -> None:
    if lead_periods < 0:
        raise ValueError(f"Lead time {lead_periods} is negative; give 0 when stock comes at once")
    if review_periods < 1:
        raise ValueError(f"Review period {review_periods} is under 1; give the periods between reviews")
    if not 0 <= skip_periods < periods:
        raise ValueError(f"{skip_periods} of {periods} periods are not to count; leave at least one to count")


def _checked(demand: FloatArray, levels: FloatArray, unit: FloatArray) -> FloatArray:
    """The unit of each series, (series,)."""
    if demand.ndim != 2 or 0 in demand.shape:
        raise ValueError(f"Demand of shape {demand.shape} is not (series, periods) with at least one of each")
    if levels.shape != demand.shape:
        raise ValueError(f"Levels of shape {levels.shape} do not match demand of shape {demand.shape}")
    if unit.ndim and unit.shape != demand.shape[:1]:
        raise ValueError(f"Usable units of shape {unit.shape} do not give one number for each series")
    for thing, amounts in (("Demand", demand), ("Levels", levels), ("Usable units", unit)):
        for place in np.argwhere(~(np.isfinite(amounts) & (amounts >= 0))):
            where = ", ".join(map(str, place))
            raise ValueError(f"{thing} [{where}]: {amounts[tuple(place)]} is not a number of 0 or more")
    return np.broadcast_to(unit, demand.shape[:1])


def _whole(amount: FloatArray, unit: FloatArray) -> FloatArray:
    """The amount rounded up to whole units."""
    some = unit > 0
    units = np.ceil(np.divide(amount, unit, out=np.zeros_like(amount), where=some) - UNIT_TOLERANCE)
    return np.where(some, units * unit, amount)
