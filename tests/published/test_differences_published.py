"""The interval of a difference against a published example.

Newcombe 1998, Interval estimation for the difference between independent proportions, Statistics in Medicine
17: 873-890, table II, method 10, example (a): 56/70 against 48/80 [figures from memory; the Wilson intervals
they rest on are computed here].
"""

from math import sqrt
from statistics import NormalDist

import pytest

from shop.profitability.ratio_difference import ratio_change
from shop.profitability.ratio_intervals import MarginRatio


def wilson(successes: int, trials: int) -> MarginRatio:
    """Return a proportion with its score interval (Wilson 1927)."""
    z = NormalDist().inv_cdf(0.975)
    p, width = successes / trials, 1 + z * z / trials
    middle = p + z * z / (2 * trials)
    spread = z * sqrt(p * (1 - p) / trials + z * z / (4 * trials * trials))
    return MarginRatio(trials, p, (middle - spread) / width, (middle + spread) / width)


def test_newcombe_1998_example_a() -> None:
    found = ratio_change(wilson(56, 70), wilson(48, 80))
    assert found.change == pytest.approx(0.2)
    assert found.low == pytest.approx(0.0524, abs=5e-5)
    assert found.high == pytest.approx(0.3339, abs=5e-5)
    assert found.is_clear
