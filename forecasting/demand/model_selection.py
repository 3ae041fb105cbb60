"""Fits the candidate models, tests them over the past of a panel, and selects one for each series. Pure."""

from dataclasses import dataclass, field

import numpy as np
from scipy.stats import norm

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.demand import accuracy
from forecasting.demand.accuracy import CLASSES, ForecastOutcome
from forecasting.demand.candidate_models import Candidate, Expectation
from forecasting.demand.demand_panel import DemandHistory
from forecasting.demand.negative_binomial import UNFITTED, Regression, fit, quantiles

TEST_ORIGINS = 6
# Windows to fit on: more than enough in a small panel, still representative in a large one.
WINDOWS_MIN, WINDOWS_MAX = 4, 12
ROWS_MAX = 40_000
# Relative losses over all classes count as this many forecasts of each class, when its model is chosen.
SHARED_EVIDENCE = 60.0
# Fitting and testing start after this part of the history, a quarter: earlier levels are hardly known.
FIRST_SHARE = 4
FIRST_MIN = 3


def _first(periods: int) -> int:
    return max(periods // FIRST_SHARE, FIRST_MIN)


def test_origins(periods: int, periods_ahead: int) -> list[int]:
    """Origins to test the models at, one interval apart, the last one interval before the end of history.

    Up to six, but at least half of what follows the first quarter is left to fit on.
    """
    room = (periods - _first(periods)) // periods_ahead
    return [periods - periods_ahead * back for back in range(min(TEST_ORIGINS, room // 2), 0, -1)]


def fit_origins(periods: int, known: int, periods_ahead: int, series: int) -> list[int]:
    """Origins to fit at, evenly spaced: what follows each of them has happened by `known`."""
    last = known - periods_ahead
    if last < _first(periods):
        return []
    count = min(max(ROWS_MAX // series, WINDOWS_MIN), WINDOWS_MAX)
    return sorted({int(origin) for origin in np.linspace(_first(periods), last, count)})


@dataclass(frozen=True)
class _Window:
    """What each model expected at an origin, the actual demand, which series count, and their scales."""

    expectations: list[Expectation]
    demand: FloatArray
    counts: BoolArray
    scale: FloatArray


@dataclass
class ModelSelection:
    """The models, their fits, and their losses so far."""

    panel: DemandHistory
    periods_ahead: int
    levels: FloatArray
    models: list[Candidate]
    outcomes: list[ForecastOutcome] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Start without fits and losses."""
        self.fitted = [UNFITTED] * len(self.models)
        self.losses = np.zeros((len(self.models), len(CLASSES)))
        self.tested = np.zeros(len(CLASSES))

    def run(self, fits: list[int], tests: list[int]) -> tuple[FloatArray, FloatArray, IntArray]:
        """Fit, test at each origin, fit again with the outcomes, and forecast beyond the end of history.

        Returns mean (series,), quantiles (series, levels) and the number of the model chosen (series,).
        """
        windows = [self._window(origin) for origin in fits]
        self._fit(windows)
        windows += [self._test_at(origin) for origin in tests]
        if tests:
            self._fit(windows)
        origin = self.panel.periods
        answers = self._forecast([model.expect(origin) for model in self.models])
        choice = self._choice(origin)
        mean, found = _chosen(answers, choice)
        return mean, found, choice

    def losses_by_name(self) -> dict[str, float]:
        """Mean scaled pinball loss of each model over all tests; empty without a test."""
        count = self.tested.sum()
        totals = self.losses.sum(axis=1)
        return {m.name: float(total / count) for m, total in zip(self.models, totals, strict=True) if count}

    def _window(self, origin: int) -> _Window:
        panel, end = self.panel, origin + self.periods_ahead
        return _Window(
            [model.expect(origin) for model in self.models],
            panel.demand[:, origin:end].sum(axis=1),
            np.asarray(panel.observed[:, origin:end].all(axis=1)),
            accuracy.scale(panel.demand[:, :origin], panel.observed[:, :origin]),
        )

    def _fit(self, windows: list[_Window]) -> None:
        """Fit every model to all windows, at most ROWS_MAX rows of them, evenly over the panel's order."""
        every = -(-len(self.panel.demand) * len(windows) // ROWS_MAX)
        rows = [np.flatnonzero(window.counts)[::every] for window in windows]
        if not sum(map(len, rows)):
            return
        parts = list(zip(windows, rows, strict=True))
        demand = np.concatenate([window.demand[keep] for window, keep in parts])
        weight = np.concatenate([1 / window.scale[keep] for window, keep in parts])
        self.fitted = [
            _fit_one([(window.expectations[number], keep) for window, keep in parts], demand, weight)
            for number in range(len(self.models))
        ]

    def _test_at(self, origin: int) -> _Window:
        window, panel = self._window(origin), self.panel
        answers = self._forecast(window.expectations)
        past, seen = panel.demand[:, :origin], panel.observed[:, :origin]
        mean, found = _chosen(answers, self._choice(origin))
        squared_scale = accuracy.squared_scale(past, seen)
        self.outcomes.append(
            ForecastOutcome(origin, mean, found, window.demand, window.counts, window.scale, squared_scale)
        )
        classes = self._class_numbers(origin)
        keep = window.counts
        self.tested += np.bincount(classes[keep], minlength=len(CLASSES))
        for number, (_, found) in enumerate(answers):
            loss = accuracy.pinball(window.demand, found, self.levels).mean(axis=1) / window.scale
            self.losses[number] += np.bincount(classes[keep], loss[keep], minlength=len(CLASSES))
        return window

    def _forecast(self, expectations: list[Expectation]) -> list[tuple[FloatArray, FloatArray]]:
        """Mean and quantiles of every model."""
        answers = []
        for model, expectation in zip(self.fitted, expectations, strict=True):
            if expectation.deviation is not None:
                found = self._normal_quantiles(expectation.expected, expectation.deviation)
                answers.append((expectation.expected, found))
                continue
            mean, size = model.predict(expectation.expected, expectation.mean_terms, expectation.size_terms)
            answers.append((mean, quantiles(mean, size, self.levels)))
        return answers

    def _normal_quantiles(self, mean: FloatArray, deviation: FloatArray) -> FloatArray:
        """Rounded to the nearest unit where units are counted one by one."""
        found = np.maximum(mean[:, None] + deviation[:, None] * norm.ppf(self.levels), 0)
        counted = self.panel.whole & (self.panel.unit == 1)
        return np.where(counted[:, None], np.round(found), found)

    def _choice(self, origin: int) -> IntArray:
        """The model with the least loss so far for each series' class; the first without a test.

        Only models that borrow are used where a history says little, and only those that fade where demand
        stopped.
        """
        overall = _relative(self.losses.sum(axis=1, keepdims=True))
        by_class = self.tested * _relative(self.losses) + SHARED_EVIDENCE * overall
        borrow = np.array([model.borrows for model in self.models])
        fade = np.array([model.fades for model in self.models])
        traits, classes = self.panel.traits(origin), self._class_numbers(origin)
        best, borrowing, fading = (
            np.argmin(np.where(able[:, None], by_class, np.inf), axis=0)[classes]
            for able in (np.ones_like(fade), borrow, fade)
        )
        choice: IntArray = np.select([traits.says_little, traits.stopped], [borrowing, fading], best)
        return choice

    def _class_numbers(self, origin: int) -> IntArray:
        names = accuracy.demand_classes(self.panel.demand[:, :origin], self.panel.observed[:, :origin])
        numbers: IntArray = np.argmax(names[:, None] == np.array(CLASSES), axis=1)
        return numbers


def _relative(losses: FloatArray) -> FloatArray:
    """Each model's share of the losses in a column; equal shares where there are none."""
    total = losses.sum(axis=0)
    equal = np.full_like(losses, 1 / len(losses))
    share: FloatArray = np.divide(losses, total, out=equal, where=total > 0)
    return share


def _fit_one(parts: list[tuple[Expectation, IntArray]], demand: FloatArray, weight: FloatArray) -> Regression:
    if any(e.deviation is not None for e, _ in parts):
        return UNFITTED
    expected = np.concatenate([e.expected[keep] for e, keep in parts])
    mean_terms = [e.mean_terms[keep] for e, keep in parts if e.mean_terms is not None]
    size_terms = np.concatenate([e.size_terms[keep] for e, keep in parts])
    return fit(demand, expected, np.concatenate(mean_terms) if mean_terms else None, size_terms, weight)


def _chosen(answers: list[tuple[FloatArray, FloatArray]], choice: IntArray) -> tuple[FloatArray, FloatArray]:
    rows = np.arange(len(choice))
    means, found = zip(*answers, strict=True)
    return np.stack(means)[choice, rows], np.stack(found)[choice, rows]
