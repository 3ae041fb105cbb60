"""The accuracy of past forecasts: pinball loss, RMSSE, bias and coverage, by class of demand. Pure.

At each origin only the periods before it are known; the forecast is of the sum of the periods after it.
"""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, StrArray
from forecasting.demand.demand_panel import DemandHistory

# Syntetos, Boylan and Croston 2005: limits of the mean interval and of the sizes' squared variation.
INTERVAL_LIMIT = 1.32
VARIATION_LIMIT = 0.49
CLASSES = ("smooth", "erratic", "intermittent", "lumpy", "no demand")


def demand_classes(demand: FloatArray, observed: BoolArray) -> StrArray:
    """The class of each series, (series,), by how often and how evenly it is used where observed."""
    some = observed & (demand > 0)
    times = np.maximum(some.sum(axis=1), 1)
    interval = observed.sum(axis=1) / times
    size = np.where(some, demand, 0).sum(axis=1) / times
    variance = np.where(some, (demand - size[:, None]) ** 2, 0).sum(axis=1) / times
    rare = interval >= INTERVAL_LIMIT
    uneven = variance >= VARIATION_LIMIT * size**2
    cases = [~some.any(axis=1), rare & uneven, rare, uneven]
    return np.select(cases, ["no demand", "lumpy", "intermittent", "erratic"], "smooth").astype(np.str_)


def pinball(demand: FloatArray, quantiles: FloatArray, levels: FloatArray) -> FloatArray:
    """Loss of each quantile (series, levels) for the actual demand (series,): Koenker and Bassett 1978."""
    short = demand[:, None] - quantiles
    return np.maximum(levels * short, (levels - 1) * short)


def scale(demand: FloatArray, observed: BoolArray) -> FloatArray:
    """Mean absolute difference of successive observed periods, (series,); 1 where that is 0."""
    return _or_one(_mean_step(demand, observed, power=1))


def squared_scale(demand: FloatArray, observed: BoolArray) -> FloatArray:
    """Mean squared difference of successive observed periods, (series,); 1 where that is 0."""
    return _or_one(mean_squared_step(demand, observed))


def mean_squared_step(demand: FloatArray, observed: BoolArray) -> FloatArray:
    """Mean squared difference of successive observed periods, (series,); 0 without any."""
    return _mean_step(demand, observed, power=2)


def _or_one(steps: FloatArray) -> FloatArray:
    return np.where(steps > 0, steps, 1.0)


def _mean_step(demand: FloatArray, observed: BoolArray, power: int) -> FloatArray:
    both = observed[:, 1:] & observed[:, :-1]
    steps = np.where(both, np.abs(np.diff(demand, axis=1)) ** power, 0).sum(axis=1)
    mean: FloatArray = steps / np.maximum(both.sum(axis=1), 1)
    return mean


@dataclass(frozen=True)
class ForecastOutcome:
    """Forecasts made at an origin: mean, quantiles (series, levels), and the actual demand (series,)."""

    origin: int
    mean: FloatArray
    quantiles: FloatArray
    demand: FloatArray
    counts: BoolArray
    """Whether all forecast periods were observed; other series are in no score."""
    scale: FloatArray
    squared_scale: FloatArray


@dataclass(frozen=True)
class AccuracySummary:
    """Scores of some series over all origins: scaled losses, bias as share of demand, coverage by level."""

    forecasts: int
    pinball: float
    rmsse: float
    bias: float
    coverage: FloatArray


@dataclass(frozen=True)
class Backtest:
    """Sums per series, from which the scores of any choice of series follow.

    Arrays are (series,) or (series, levels): number of forecasts scored, sums over them of scaled pinball
    loss, scaled squared error, forecast less demand, demand, and outcomes at or under each quantile.
    """

    origins: tuple[int, ...]
    periods_ahead: int
    levels: FloatArray
    classes: StrArray
    forecasts: FloatArray
    pinball_sum: FloatArray
    squared_sum: FloatArray
    excess_sum: FloatArray
    demand_sum: FloatArray
    covered: FloatArray
    losses: dict[str, float]
    """Mean scaled pinball loss of each model tried, over the same forecasts."""

    def summary(self, chosen: BoolArray | None = None) -> AccuracySummary | None:
        """Scores of the chosen series, (series,) of bool, or of all; None where nothing was scored."""
        keep = np.ones(len(self.forecasts), bool) if chosen is None else chosen
        count = self.forecasts[keep].sum()
        if not count:
            return None
        demand = self.demand_sum[keep].sum()
        return AccuracySummary(
            forecasts=int(count),
            pinball=float(self.pinball_sum[keep].sum() / count),
            rmsse=float(np.sqrt(self.squared_sum[keep].sum() / count)),
            bias=float(self.excess_sum[keep].sum() / demand) if demand else 0.0,
            coverage=self.covered[keep].sum(axis=0) / count,
        )

    def by_class(self) -> dict[str, AccuracySummary]:
        """Scores of each class of demand that was scored."""
        found = {name: self.summary(self.classes == name) for name in CLASSES}
        return {name: summary for name, summary in found.items() if summary}

    def in_words(self, level: float, chosen: BoolArray | None = None) -> str:
        """One sentence for the owner about one of the levels. Raises ValueError for a level not forecast."""
        places = np.flatnonzero(np.isclose(self.levels, level))
        if not len(places):
            raise ValueError(f"Level {level} was not forecast; choose one of {self.levels.tolist()}")
        summary = self.summary(chosen)
        if summary is None:
            return "The history is too short to say how good such forecasts were."
        held = round(float(summary.coverage[places[0]]) * summary.forecasts)
        return f"The stated {level:.0%} held in {held:,} of {summary.forecasts:,} past forecasts."


def score(
    panel: DemandHistory,
    outcomes: list[ForecastOutcome],
    *,
    periods_ahead: int,
    levels: FloatArray,
    classes: StrArray,
    losses: dict[str, float],
) -> Backtest:
    """Add up the outcomes of all origins, in the caller's order and in stock units.

    The squared error of a sum over h periods is scaled by h times the mean squared step of one period, as
    RMSSE is for h = 1 (Hyndman and Koehler 2006, from memory).
    """
    series = len(classes)
    forecasts, loss, squared, excess, total = (np.zeros(series) for _ in range(5))
    covered = np.zeros((series, len(levels)))
    for outcome in outcomes:
        counts = outcome.counts
        error = np.where(counts, outcome.mean - outcome.demand, 0)
        forecasts += counts
        loss += np.where(
            counts, pinball(outcome.demand, outcome.quantiles, levels).mean(axis=1) / outcome.scale, 0
        )
        squared += error**2 / (periods_ahead * outcome.squared_scale)
        excess += error
        total += np.where(counts, outcome.demand, 0)
        covered += counts[:, None] & (outcome.demand[:, None] <= outcome.quantiles)
    return Backtest(
        origins=tuple(outcome.origin for outcome in outcomes),
        periods_ahead=periods_ahead,
        levels=levels,
        classes=panel.restored(classes),
        forecasts=panel.restored(forecasts),
        pinball_sum=panel.restored(loss),
        squared_sum=panel.restored(squared),
        excess_sum=panel.restored(excess * panel.unit),
        demand_sum=panel.restored(total * panel.unit),
        covered=panel.restored(covered),
        losses=losses,
    )
