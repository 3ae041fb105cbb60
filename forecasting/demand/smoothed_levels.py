"""Recent use of a series and of similar ones: discounted levels, terms of the panel's regression. Pure.

Multi-series exponential smoothing with a negative binomial distribution (the idea: Snyder, Ord and Beaumont
2012): every series is smoothed at several rates, and one regression for the whole panel weighs them. Each
level is a gamma-Poisson posterior mean: what was used, discounted, plus a few periods' worth of the
consumable's average, over the exposure of both. So a van without history starts at the average of the others,
and periods that were not observed do not count.
"""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.demand.demand_panel import DemandHistory

# Shares forgotten per period; the first is the base that the others are compared with.
OWN_RATES = (0.02, 0.1, 0.3)
# Share forgotten per period of what the same consumable used on other vans.
OTHERS_RATE = 0.1
# Weight of the consumable's average, in periods of average exposure.
PRIOR_PERIODS = 3.0
# Weight of the panel's scatter in that of a series, in units of demand.
PRIOR_UNITS = 10.0
# Series below this quantile of the panel's levels may have another slope.
KNEE_SHARE = 0.4


@dataclass(frozen=True)
class LevelTerms:
    """Known before an origin: level per unit of exposure (series,), terms of mean and size (series, k)."""

    level: FloatArray
    mean_terms: FloatArray
    size_terms: FloatArray


def level_terms(history: DemandHistory, exposure: FloatArray, origin: int) -> LevelTerms:
    """The terms from the periods before the origin; `exposure` (series, periods) is 0 where not observed."""
    past, exposed, group = history.demand[:, :origin], exposure[:, :origin], history.group
    age = origin - 1 - np.arange(origin)
    rates = np.array((*OWN_RATES, OTHERS_RATE))
    discount = (1 - rates) ** age[:, None]
    used, base = past @ discount, exposed @ discount
    times, total = (past > 0).sum(axis=1), past.sum(axis=1)

    usual_exposure = exposed.mean()
    # Without any exposure a period counts as one unit of it.
    prior_weight = PRIOR_PERIODS * (usual_exposure if usual_exposure > 0 else 1.0)
    # Half a unit more than was used, so that a panel without any use still expects a little.
    average = (total.sum() + 0.5) / (exposed.sum() + prior_weight)

    def shared(own: FloatArray) -> FloatArray:
        sums: FloatArray = np.bincount(group, own).astype(float)[group]
        return sums

    def level(amount: FloatArray, over: FloatArray, prior: FloatArray | float) -> FloatArray:
        posterior: FloatArray = (amount + prior_weight * prior) / (over + prior_weight)
        return posterior

    others = level(shared(used[:, -1]) - used[:, -1], shared(base[:, -1]) - base[:, -1], average)
    own = [level(used[:, i], base[:, i], others) for i in range(len(OWN_RATES))]
    usual_size = (shared(total) + 1) / (shared(times.astype(float)) + 1)
    log_size = np.log((total + usual_size) / (times + 1))
    compared = [np.log(faster / own[0]) for faster in own[1:]]
    evidence = np.log(base[:, 0] / prior_weight + 1)
    # Variance over mean separates even from uneven use at the same level.
    exposed_periods = np.maximum((exposed > 0).sum(axis=1), 1)
    # Use in periods without exposure would make it negative.
    squares = np.maximum((past**2).sum(axis=1) - total**2 / exposed_periods, 0)
    usual_scatter = (squares.sum() + 1) / (total.sum() + 1)
    scatter = np.log((squares + PRIOR_UNITS * usual_scatter) / (total + PRIOR_UNITS))
    # The knee lets rarely and often used series depend on their own past by different slopes. The product
    # separates series of few large uses from those of many small ones.
    log_level = np.log(own[0])
    above_knee = np.maximum(log_level - np.quantile(log_level, KNEE_SHARE), 0)
    return LevelTerms(
        own[0],
        np.stack([log_level, above_knee, *compared, log_size, log_level * log_size], 1),
        np.stack([log_level, log_size, evidence, scatter], 1),
    )
