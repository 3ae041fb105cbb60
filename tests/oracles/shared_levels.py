"""Order-up-to levels of a whole panel that together let the most demand be served from the least stock. Pure.

An equal chance of lasting for everything is not the least stock for a fill rate, the share of all demand that
is served at once: a further unit of what is used every week serves more demand in a review period than a
further unit of what is used twice a year, however likely either is to last. So every series gets the level at
which a further unit of average stock would save less than a given price in units short: one price for all.

Marginal analysis: Sherbrooke, Optimal Inventory Modeling of Systems (from memory), for fill rates of a base
stock; that one price for all is best for the totals it leads to, with any distributions: Everett 1963,
Operations Research 11(3) (from memory). Periodic review with backorders as in Silver, Pyke and Thomas: short
in a review period is what the interval leaves short, less what was short before that period.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecasting.arrays import FloatArray, IntArray
from forecasting.stock_control.numeric_checks import require_positive, require_share

# Halvings of the price, on a scale of logarithms: enough to tell any two levels apart.
HALVINGS = 60
LEAST_PRICE, MOST_PRICE = 1e-9, 1e9
# A level of more than so many times the most that any interval took so far is not believed: what forecasts
# say about the last hundredths of busy and uneven use is extrapolated. Chosen on weeks that are not scored:
# tests/benchmarks/replay_peers.py --choose.
BELIEVED_TIMES = 5


@dataclass(frozen=True)
class Outlook:
    """What each level would bring: entry S of (series, levels) for the level of S units.

    `short` is demand not served at once in a review period, `stock` average stock in units, as if demand came
    evenly over the last review period of the interval.
    """

    short: FloatArray
    stock: FloatArray

    @property
    def demand(self) -> FloatArray:
        """Demand of a review period, (series,): without any stock all of it is short."""
        first: FloatArray = self.short[:, 0]
        return first

    def levels_at(self, price: float, most: FloatArray | None = None) -> IntArray:
        """The levels, (series,), where units short + price x stock are least; of equals the lowest.

        No level is above `most` (series,), such as the room for it or `most_believed`.
        Raises ValueError unless the price is above 0.
        """
        require_positive("Price of stock", price, "give units short that a unit of stock must save")
        cost = self.short + price * self.stock
        if most is not None:
            cost = np.where(np.arange(cost.shape[1]) <= most[:, None], cost, np.inf)
        chosen: IntArray = np.argmin(cost, axis=1)
        return chosen

    def fill_rate(self, levels: IntArray) -> float:
        """Share of all demand that is expected to be served at once; 1 where none is expected."""
        demand = float(self.demand.sum())
        short = float(self.short[np.arange(len(levels)), levels].sum())
        return 1 - short / demand if demand > 0 else 1.0

    def levels_for(self, fill_rate: float, most: FloatArray | None = None) -> IntArray:
        """The levels, (series,), with the highest price at which this share of all demand is served.

        No level is above `most` (series,). Where no price leads so far, the most that any leads to.
        Raises ValueError unless 0 < fill_rate < 1.
        """
        require_share("Fill rate", fill_rate, "choose a share such as 0.95; no stock serves all demand")
        low, high = np.log(LEAST_PRICE), np.log(MOST_PRICE)
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            if self.fill_rate(self.levels_at(float(np.exp(middle)), most)) >= fill_rate:
                low = middle
            else:
                high = middle
        return self.levels_at(float(np.exp(low)), most)


def outlook(
    over_lead: npt.ArrayLike | None, over_interval: npt.ArrayLike, probabilities: Sequence[float] | FloatArray
) -> Outlook:
    """The outlook for demand whose quantiles, (series, probabilities) in usable units, are given.

    `over_lead`: over the lead time, None when stock comes at once; `over_interval`: over lead + review. The
    probabilities rise. Demand is taken to be a whole number; between two quantiles as likely to be the one as
    the other, and never above the last.
    Raises ValueError for shapes that do not match, quantiles that are negative, NaN, infinite or fall, and
    probabilities that are none or do not rise.
    """
    wanted = np.asarray(probabilities, dtype=float)
    if wanted.ndim != 1 or not len(wanted) or not np.all(np.diff(wanted, prepend=0, append=1) > 0):
        raise ValueError("Probabilities must rise between 0 and 1, both excluded; sort them")
    interval = _checked("interval", over_interval, len(wanted))
    units = int(np.ceil(interval.max(initial=0))) + 1
    lead = np.zeros_like(interval) if over_lead is None else _checked("lead time", over_lead, len(wanted))
    if lead.shape != interval.shape:
        raise ValueError(
            f"{len(lead)} series over the lead time do not match {len(interval)} over the interval"
        )
    late, early = _shortages(interval, wanted, units), _shortages(np.minimum(lead, interval), wanted, units)
    held = np.arange(units)
    return Outlook(
        short=late - early,
        stock=((held - early[:, :1] + early) + (held - late[:, :1] + late)) / 2,
    )


def most_believed(history: npt.ArrayLike, interval: int) -> FloatArray:
    """The highest level to believe, (series,), from demand (series, periods), for an interval in periods.

    Raises ValueError for an interval that is not 1 period or more, or longer than the history.
    """
    demand = np.asarray(history, dtype=float)
    if demand.ndim != 2 or not 1 <= interval <= demand.shape[1]:
        raise ValueError(f"An interval of {interval} periods does not fit in history of shape {demand.shape}")
    sums = np.lib.stride_tricks.sliding_window_view(demand, interval, axis=1).sum(axis=2)
    # What was never used may still be needed once.
    return np.asarray(BELIEVED_TIMES * np.maximum(sums.max(axis=1), 1))


def _checked(name: str, quantiles: npt.ArrayLike, probabilities: int) -> FloatArray:
    found = np.asarray(quantiles, dtype=float)
    if found.ndim != 2 or found.shape[1] != probabilities:
        raise ValueError(
            f"Quantiles over the {name} of shape {found.shape} do not give {probabilities} for each series"
        )
    if not np.all(np.isfinite(found) & (found >= 0)) or np.any(np.diff(found, axis=1) < 0):
        raise ValueError(
            f"Quantiles over the {name} are not numbers of 0 or more that rise; correct the forecast"
        )
    return found


def _shortages(quantiles: FloatArray, probabilities: FloatArray, units: int) -> FloatArray:
    """Entry S, of (series, units): the units of demand expected beyond S."""
    ends = np.concatenate([[0.0], probabilities, [1.0]])
    exceeded = np.empty((len(quantiles), units))
    for unit in range(units):
        reached = (quantiles <= unit).sum(axis=1)
        exceeded[:, unit] = np.where(
            reached == len(probabilities), 0.0, 1 - (ends[reached] + ends[reached + 1]) / 2
        )
    shortages: FloatArray = np.cumsum(exceeded[:, ::-1], axis=1)[:, ::-1]
    return shortages
