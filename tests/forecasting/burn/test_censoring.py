"""Which weeks of a van say something about what it needs."""

from collections.abc import Sequence

import numpy as np

from forecasting.burn.censoring import DRY_WEEKS_MAX, GIVEN_UP_WEEKS, given_up, observed_weeks, off_the_road


def seen(use: Sequence[float], jobs: Sequence[float], bare: list[bool] | None = None) -> list[int]:
    """Return the weeks that count for one van and consumable."""
    dry = np.zeros((1, len(use)), bool) if bare is None else np.array([bare])
    found = observed_weeks(np.array([use]), np.array([jobs]), dry, np.zeros(1, np.intp))
    return np.flatnonzero(found[0]).tolist()


def test_a_busy_van_without_a_job_was_off_the_road_and_a_quiet_one_had_none() -> None:
    # exp(-5) = 0.0067 is under 1%, exp(-4) = 0.018 is not.
    off = off_the_road(np.array([[5.0, 0, 5, 0, 5], [4, 0, 4, 0, 4], [0, 0, 0, 0, 0]]))
    assert off.tolist() == [[False, True, False, True, False], [False] * 5, [False] * 5]


def test_weeks_before_the_first_job_and_before_the_consumable_came_do_not_count() -> None:
    assert seen([0, 0, 0, 3, 0], [0, 2, 2, 2, 2]) == [3, 4]
    assert seen([0, 0, 0, 0, 0], [0, 2, 2, 2, 2]) == []
    both = observed_weeks(
        np.array([[0, 1.0, 0], [0, 0, 0]]), np.ones((2, 3)), np.zeros((2, 3), bool), np.array([0, 0])
    )
    # The other van could have used it from the second week on, and did not.
    assert both.tolist() == [[False, True, True], [False, True, True]]


def test_a_week_without_stock_counts_only_when_something_was_used_all_the_same() -> None:
    assert seen([2, 0, 2, 0, 1], [2] * 5, [False, True, True, True, False]) == [0, 2, 4]


def test_a_van_that_does_without_for_long_needs_none() -> None:
    weeks = DRY_WEEKS_MAX + 4
    found = seen([2] + [0] * (weeks - 1), [2] * weeks, [False] + [True] * (weeks - 1))
    assert found == [0, *range(DRY_WEEKS_MAX + 1, weeks)]


def test_a_van_that_never_had_what_others_use_is_not_asked_for_long_either() -> None:
    weeks = DRY_WEEKS_MAX + 3
    use = np.array([[1.0] * weeks, [0.0] * weeks])
    found = observed_weeks(
        use, np.ones((2, weeks)), np.array([[False] * weeks, [True] * weeks]), np.array([0, 0])
    )
    assert np.flatnonzero(found[1]).tolist() == list(range(DRY_WEEKS_MAX, weeks))


def test_a_van_is_given_up_after_a_long_time_without_a_job() -> None:
    never, late = [0.0] * 30, [0.0] * 30
    late[-GIVEN_UP_WEEKS] = 1
    early = [0.0] * 30
    early[-GIVEN_UP_WEEKS - 1] = 1
    assert given_up(np.array([never, late, early])).tolist() == [False, False, True]
    assert given_up(np.zeros((2, 0))).tolist() == [False, False]
