"""The season and trend that a whole shop shares, where two years or more show them. Pure."""

import numpy as np

from forecasting.arrays import FloatArray

SEASONS_MIN = 2
HARMONICS = 2


def carries_season(periods: int, season_length: int | None) -> bool:
    """Whether the history holds at least two whole seasons."""
    return season_length is not None and season_length >= 4 and periods >= SEASONS_MIN * season_length


def shared_index(totals: FloatArray, exposure: FloatArray, season_length: int, ahead: int) -> FloatArray:
    """Demand per unit of exposure, relative to its mean, for the past periods and `ahead` more.

    `totals` and `exposure` are sums over the panel, (periods,). A log-linear trend and two harmonics, by
    quasi-Poisson regression (statsmodels). Returns (periods + ahead,), all ones where there is no demand.
    """
    periods = len(totals)
    if not totals.any():
        return np.ones(periods + ahead)
    # Loading statsmodels takes longer than most commands run, and only long histories have a season.
    from statsmodels.genmod.families import Poisson  # noqa: PLC0415
    from statsmodels.genmod.generalized_linear_model import GLM  # noqa: PLC0415

    time = np.arange(periods + ahead)
    angles = 2 * np.pi * time[:, None] / season_length * np.arange(1, HARMONICS + 1)
    design = np.hstack(
        [np.ones((len(time), 1)), time[:, None] / season_length, np.sin(angles), np.cos(angles)]
    )
    seen = exposure > 0
    model = GLM(totals[seen], design[:periods][seen], family=Poisson(), exposure=exposure[seen])
    rate: FloatArray = np.exp(design @ model.fit().params)
    index: FloatArray = rate / rate[:periods].mean()
    return index
