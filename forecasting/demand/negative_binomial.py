"""The negative binomial distribution of counts: quantiles, and a regression of mean and size. Pure.

The negative binomial with mean m and size r has the variance m + m^2 / r; with a large size it is
Poisson's distribution, a small one means long pauses and large amounts.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import minimize
from scipy.special import gammaln, psi

from forecasting.arrays import FloatArray

LOG_SIZE_MIN, LOG_SIZE_MAX = -6.0, 8.0
LOG_MEAN_MAX = 20.0
# Up to this mean quantiles come from added probabilities; the first, exp(-mean) or more, does not underflow.
SUMMED_MEAN_MAX = 60.0
SUMMED_UNITS_MAX = 100
# A running sum that misses a level by rounding alone must not cost a whole unit.
LEVEL_TOLERANCE = 1e-12
# The ridge on each term of the regression, in observations.
RIDGE = 10.0
ITERATIONS_MAX = 150
# Terms are clipped to these percentiles of the fitted rows: too few series lie outside to learn from.
USUAL_PERCENTILES = (1, 99)


def quantiles(mean: FloatArray, size: FloatArray, levels: FloatArray) -> FloatArray:
    """The smallest whole numbers at or under which demand stays with the given probabilities.

    `mean` (0 or more) and `size` (above 0): (series,); `levels` between 0 and 1: (levels,). Returns
    (series, levels), in whole units.
    """
    ascending = np.argsort(levels, kind="stable")
    wanted = levels[ascending] - LEVEL_TOLERANCE
    found = np.full((len(mean), len(levels)), -1.0)
    open_rows = np.flatnonzero(mean <= SUMMED_MEAN_MAX)
    r, share = size[open_rows], mean[open_rows] / (size[open_rows] + mean[open_rows])
    probability = np.exp(r * np.log1p(-share))
    reached = probability.copy()
    for units in range(SUMMED_UNITS_MAX):
        # Levels ascend, so the number of levels already found shows what is newly reached.
        rows, columns = np.nonzero((reached[:, None] >= wanted) & (found[open_rows] < 0))
        found[open_rows[rows], columns] = units
        still = reached < wanted[-1]
        open_rows, r, share = open_rows[still], r[still], share[still]
        if not len(open_rows):
            break
        probability = probability[still] * share * (r + units) / (units + 1)
        reached = reached[still] + probability
    rows, columns = np.nonzero(found < 0)
    if len(rows):
        chance = size[rows] / (size[rows] + mean[rows])
        found[rows, columns] = stats.nbinom.ppf(wanted[columns], size[rows], chance)
    answer = np.empty_like(found)
    answer[:, ascending] = found
    return answer


@dataclass(frozen=True)
class RegressionTerms:
    """Terms of a regression, (rows, terms), limited to a range, brought to mean 0 and deviation 1 in it."""

    centre: FloatArray
    spread: FloatArray
    low: FloatArray
    high: FloatArray

    @classmethod
    def of(cls, rows: FloatArray) -> "RegressionTerms":
        """Return the range of the fitted rows, and centre and spread within it."""
        low, high = np.percentile(rows, USUAL_PERCENTILES, axis=0)
        inside = np.clip(rows, low, high)
        spread = inside.std(axis=0)
        return cls(inside.mean(axis=0), np.where(spread > 1e-9, spread, 1.0), low, high)

    def design(self, rows: FloatArray) -> FloatArray:
        """A column of ones and the terms, clipped to the usual range."""
        terms = (np.clip(rows, self.low, self.high) - self.centre) / self.spread
        return np.hstack([np.ones((len(rows), 1)), terms])


@dataclass(frozen=True)
class Regression:
    """log mean = log(expected) + a + terms . b; log size = c + terms . d."""

    mean_terms: RegressionTerms | None
    size_terms: RegressionTerms | None
    mean_weights: FloatArray
    size_weights: FloatArray

    def predict(
        self, expected: FloatArray, mean_rows: FloatArray | None, size_rows: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Mean and size, (series,) each, from what is expected (series,) and the terms (series, terms)."""
        factor: FloatArray | float = 0.0
        if self.mean_terms is not None and mean_rows is not None:
            factor = self.mean_terms.design(mean_rows) @ self.mean_weights
        log_size = self.size_terms.design(size_rows) @ self.size_weights if self.size_terms else 0.0
        size = np.exp(np.clip(log_size, LOG_SIZE_MIN, LOG_SIZE_MAX))
        return expected * np.exp(factor), np.broadcast_to(size, expected.shape)


# Without data: the mean as expected, and size 1, the geometric distribution, which is wide.
UNFITTED = Regression(None, None, np.zeros(1), np.zeros(1))


def fit(
    demand: FloatArray,
    expected: FloatArray,
    mean_rows: FloatArray | None,
    size_rows: FloatArray,
    weight: FloatArray,
) -> Regression:
    """Fit by maximum likelihood of the demand (rows,), each row with its weight, and a ridge on the terms.

    `expected` is above 0. `mean_rows` None keeps the mean as expected and fits the size alone. The ridge
    keeps a small panel near what is expected.
    """
    if not len(demand):
        return UNFITTED
    mean_terms = None if mean_rows is None else RegressionTerms.of(mean_rows)
    size_terms = RegressionTerms.of(size_rows)
    mean_design = np.empty((len(demand), 0))
    if mean_rows is not None and mean_terms is not None:
        mean_design = mean_terms.design(mean_rows)
    size_design = size_terms.design(size_rows)
    split = mean_design.shape[1]
    weight = weight / weight.mean()
    base = np.log(expected)
    some = np.flatnonzero(demand)
    used, used_weight = demand[some], weight[some]
    ridge = np.full(split + size_design.shape[1], RIDGE)
    ridge[[0, split]] = RIDGE / 100

    def loss(theta: FloatArray) -> tuple[float, FloatArray]:
        log_mean = np.minimum(base + mean_design @ theta[:split], LOG_MEAN_MAX)
        log_size = size_design @ theta[split:]
        inside = (log_size > LOG_SIZE_MIN) & (log_size < LOG_SIZE_MAX)
        mean, r = np.exp(log_mean), np.exp(np.clip(log_size, LOG_SIZE_MIN, LOG_SIZE_MAX))
        log_none = -np.log1p(mean / r)
        likelihood = weight @ (r * log_none + demand * (log_mean + log_none))
        by_size = r * (log_none + (mean - demand) / (r + mean))
        # The gamma functions cancel where nothing was used, which is most rows.
        r_used = r[some]
        likelihood += used_weight @ (gammaln(used + r_used) - gammaln(r_used) - used * np.log(r_used))
        by_size[some] += r_used * (psi(used + r_used) - psi(r_used))
        by_mean = (demand - mean) * r / (r + mean)
        slope = np.concatenate(
            [mean_design.T @ (weight * by_mean), size_design.T @ (weight * by_size * inside)]
        )
        rows = len(demand)
        return (
            float(-likelihood + ridge @ theta**2) / rows,
            (2 * ridge * theta - slope) / rows,
        )

    start = np.zeros(len(ridge))
    solved = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": ITERATIONS_MAX})
    return Regression(mean_terms, size_terms, solved.x[:split], solved.x[split:])
