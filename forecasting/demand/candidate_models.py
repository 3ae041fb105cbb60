"""The candidate models: each gives the expected demand at any origin, and terms that may correct it. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.demand import accuracy, intermittent_smoothing, seasonality
from forecasting.demand.demand_panel import DemandHistory
from forecasting.demand.smoothed_levels import level_terms

JOB_RATE = 0.1
FADING = "Teunter-Syntetos-Babai"
# With a level of zero any use would be impossible.
LEVEL_MIN_SHARE = 0.01


@dataclass(frozen=True)
class Expectation:
    """Before an origin: demand expected over the periods ahead (series,), above 0, and regression terms.

    With `mean_terms` None the mean is kept and only the scatter is fitted. With a `deviation` (series,)
    demand is normal instead, and nothing is fitted.
    """

    expected: FloatArray
    mean_terms: FloatArray | None
    size_terms: FloatArray
    deviation: FloatArray | None = None


@dataclass(frozen=True)
class Candidate:
    """A model: its name, and what it expects at an origin, from the periods before that origin only.

    A model that `borrows` learns from other series what to expect where a history says too little. One that
    `fades` expects less and less of what is no longer used, even where no other series ever stopped.
    """

    name: str
    borrows: bool
    fades: bool
    expect: Callable[[int], Expectation]


def candidates(
    history: DemandHistory,
    periods_ahead: int,
    origins: Sequence[int],
    *,
    exposure_ahead: FloatArray | None,
    exposure_at_least: FloatArray | None,
    by_jobs: bool,
    season_length: int | None,
    season_known: int,
) -> list[Candidate]:
    """All models that this history allows. Without evidence the first is preferred.

    `origins` ascend. `exposure_ahead` (series,) belongs to the last, the end of history. With None the jobs
    ahead are forecast at every origin, at the end of history never below `exposure_at_least` (series,). The
    season is fitted to the periods before `season_known`.
    """
    seen = history.observed.astype(float)
    ahead = np.full(len(seen), float(periods_ahead))
    seasonal = season_length is not None and seasonality.carries_season(season_known, season_length)

    def season_of(amounts: FloatArray) -> FloatArray:
        if season_length is None or not seasonal:
            return np.ones(history.periods + periods_ahead)
        known = slice(0, season_known)
        return seasonality.shared_index(
            amounts[:, known].sum(axis=0),
            seen[:, known].sum(axis=0),
            season_length,
            history.periods + periods_ahead - season_known,
        )

    found = []
    if by_jobs:
        index = season_of(history.exposure)
        jobs = _JobsAhead(history, periods_ahead, exposure_ahead, exposure_at_least, index)
        found.append(_panel_levels("panel levels per job", history, history.exposure, jobs))
    found.append(_panel_levels("panel levels", history, seen, lambda _: ahead))
    if seasonal:
        index = season_of(history.demand)
        found.append(
            _panel_levels(
                "panel levels with season",
                history,
                seen * index[: history.periods],
                lambda origin: np.full(len(seen), index[origin : origin + periods_ahead].sum()),
            )
        )
    for name, function in (
        ("simple smoothing", intermittent_smoothing.simple),
        ("Croston", intermittent_smoothing.croston),
        ("Syntetos-Boylan", intermittent_smoothing.syntetos_boylan),
        (FADING, intermittent_smoothing.teunter_syntetos_babai),
    ):
        levels = function(history.demand, history.observed, origins)
        found.append(_one_level(name, dict(zip(origins, levels, strict=True)), periods_ahead))
    found.append(_even_demand(history, periods_ahead, origins))
    return found


class _JobsAhead:
    """Jobs over the periods ahead of an origin: the actual or given number, else a discounted average.

    The average is of jobs relative to their season in the shop (periods + periods ahead,), and is scaled by
    the season ahead.
    """

    def __init__(
        self,
        history: DemandHistory,
        periods_ahead: int,
        given: FloatArray | None,
        at_least: FloatArray | None,
        index: FloatArray,
    ) -> None:
        self.history, self.periods_ahead, self.index = history, periods_ahead, index
        self.given, self.at_least = given, at_least

    def __call__(self, origin: int) -> FloatArray:
        past = self.history.exposure
        if self.given is not None:
            actual = past[:, origin : origin + self.periods_ahead].sum(axis=1)
            return self.given if origin == self.history.periods else actual
        discount = (1 - JOB_RATE) ** (origin - 1 - np.arange(origin))
        jobs: FloatArray = past[:, :origin] @ discount
        weeks: FloatArray = self.history.observed[:, :origin] @ (discount * self.index[:origin])
        average = jobs.sum() / max(weeks.sum(), 1e-9)
        ahead = self.index[origin : origin + self.periods_ahead].sum()
        expected: FloatArray = (jobs + average) / (weeks + 1) * ahead
        if self.at_least is not None and origin == self.history.periods:
            return np.maximum(expected, self.at_least)
        return expected


def _panel_levels(
    name: str, history: DemandHistory, exposure: FloatArray, ahead: Callable[[int], FloatArray]
) -> Candidate:
    def expect(origin: int) -> Expectation:
        terms = level_terms(history, exposure, origin)
        expected = np.maximum(terms.level * ahead(origin), 1e-12)
        return Expectation(expected, terms.mean_terms, terms.size_terms)

    return Candidate(name, borrows=True, fades=False, expect=expect)


def _one_level(name: str, levels: dict[int, FloatArray], periods_ahead: int) -> Candidate:
    def expect(origin: int) -> Expectation:
        least = max(LEVEL_MIN_SHARE * levels[origin].mean(), 1e-6)
        level = np.maximum(levels[origin], least)
        return Expectation(level * periods_ahead, None, np.log(level)[:, None])

    return Candidate(name, borrows=False, fades=name == FADING, expect=expect)


def _even_demand(history: DemandHistory, periods_ahead: int, origins: Sequence[int]) -> Candidate:
    """Simple smoothing, and a normal distribution: for demand that varies less than random counts.

    The variance of a period is half the mean squared step (von Neumann 1941); a drifting level does not
    inflate it. The variance of the level is alpha / (2 - alpha) of it.
    """
    levels = dict(
        zip(
            origins,
            intermittent_smoothing.simple(
                history.demand, history.observed, origins, intermittent_smoothing.ALPHA
            ),
            strict=True,
        )
    )
    level_share = intermittent_smoothing.ALPHA / (2 - intermittent_smoothing.ALPHA)

    def expect(origin: int) -> Expectation:
        past, seen = history.demand[:, :origin], history.observed[:, :origin]
        variance = accuracy.mean_squared_step(past, seen) / 2
        deviation = np.sqrt(variance * (periods_ahead + level_share * periods_ahead**2))
        expected = levels[origin] * periods_ahead
        return Expectation(expected, None, np.empty((len(past), 0)), deviation)

    return Candidate("smoothing of even demand", borrows=False, fades=False, expect=expect)
