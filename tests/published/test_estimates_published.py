"""Estimates against published values: the share of unfinished jobs, and the ranks of an interval."""

import pytest

from shop.estimating.prediction_intervals import lost_share, ranks


@pytest.mark.parametrize(
    ("lost", "jobs", "low", "high"),
    # Newcombe 1998, Statistics in Medicine 17:857-872, Table I, the score method [figures from memory].
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_share_that_came_to_nothing_has_the_published_interval(
    lost: int, jobs: int, low: float, high: float
) -> None:
    found = lost_share(lost, jobs)
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


@pytest.mark.parametrize(("level", "fewest"), [(80, 9), (90, 19), (95, 39), (99, 199)])
def test_an_interval_needs_two_over_its_tail_jobs_less_one(level: int, fewest: int) -> None:
    """From the least to the most of n values holds the next in (n - 1) / (n + 1) (Wilks 1941; Vovk, Gammerman
    and Shafer 2005), which reaches 95% with 39; the other sizes follow by arithmetic.
    """
    assert ranks(fewest, level) == (1, fewest)
    assert (fewest - 1) / (fewest + 1) == pytest.approx(level / 100)
    with pytest.raises(ValueError, match="too few"):
        ranks(fewest - 1, level)
