"""Which weeks of a van say something about what it needs."""

from collections.abc import Mapping, Sequence
from datetime import UTC

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.burn.censoring import (
    DRY_WEEKS_MAX,
    GIVEN_UP_WEEKS,
    bare_weeks,
    given_up,
    observed_weeks,
    off_the_road,
)
from forecasting.burn.inputs import WorkingVans, panel_of
from forecasting.demand.frames import PLACE, SERIES, iso_weeks
from inventory.reports.iso_weeks import Weeks
from tests.benchmarks.weekly_frames import MONDAY, Books, by_frames, by_hand
from tests.thoroughness import examples

VAN, OTHER, DISC = 1, 2, 11


def by_van(jobs: Mapping[int, Sequence[float]]) -> pd.DataFrame:
    """Return the jobs of vans, weeks down."""
    weeks = iso_weeks(MONDAY, len(next(iter(jobs.values()))))
    return pd.DataFrame(dict(jobs), index=weeks).rename_axis(columns=PLACE)


def of_discs(by_van: Mapping[int, Sequence[float | bool]]) -> pd.DataFrame:
    """Return what each van has of discs, weeks down."""
    weeks = iso_weeks(MONDAY, len(next(iter(by_van.values()))))
    return pd.DataFrame({(van, DISC): amounts for van, amounts in by_van.items()}, index=weeks).rename_axis(
        columns=SERIES
    )


def counted(seen: pd.DataFrame, van: int = VAN) -> list[int]:
    """Return the numbers of the weeks that count for a van's discs."""
    return np.flatnonzero(seen[van, DISC]).tolist()


def seen(use: Sequence[float], jobs: Sequence[float], bare: list[bool] | None = None) -> list[int]:
    """Return the weeks that count for one van and consumable."""
    dry = of_discs({VAN: bare or [False] * len(use)})
    return counted(observed_weeks(of_discs({VAN: use}), by_van({VAN: jobs}), dry))


def test_a_busy_van_without_a_job_was_off_the_road_and_a_quiet_one_had_none() -> None:
    # exp(-5) = 0.0067 is under 1%, exp(-4) = 0.018 is not.
    off = off_the_road(by_van({1: [5.0, 0, 5, 0, 5], 2: [4, 0, 4, 0, 4], 3: [0, 0, 0, 0, 0]}))
    assert off.T.to_numpy().tolist() == [[False, True, False, True, False], [False] * 5, [False] * 5]


def test_weeks_before_the_first_job_and_before_the_consumable_came_do_not_count() -> None:
    assert seen([0, 0, 0, 3, 0], [0, 2, 2, 2, 2]) == [3, 4]
    assert seen([0, 0, 0, 0, 0], [0, 2, 2, 2, 2]) == []
    both = observed_weeks(
        of_discs({VAN: [0, 1.0, 0], OTHER: [0, 0, 0]}),
        by_van({VAN: [1, 1, 1], OTHER: [1, 1, 1]}),
        of_discs({VAN: [False] * 3, OTHER: [False] * 3}),
    )
    # The other van could have used it from the second week on, and did not.
    assert both.T.to_numpy().tolist() == [[False, True, True], [False, True, True]]


def test_a_week_without_stock_counts_only_when_something_was_used_all_the_same() -> None:
    assert seen([2, 0, 2, 0, 1], [2] * 5, [False, True, True, True, False]) == [0, 2, 4]


def test_a_van_that_does_without_for_long_needs_none() -> None:
    weeks = DRY_WEEKS_MAX + 4
    found = seen([2] + [0] * (weeks - 1), [2] * weeks, [False] + [True] * (weeks - 1))
    assert found == [0, *range(DRY_WEEKS_MAX + 1, weeks)]


def test_a_van_that_never_had_what_others_use_is_not_asked_for_long_either() -> None:
    weeks = DRY_WEEKS_MAX + 3
    found = observed_weeks(
        of_discs({VAN: [1.0] * weeks, OTHER: [0.0] * weeks}),
        by_van({VAN: [1] * weeks, OTHER: [1] * weeks}),
        of_discs({VAN: [False] * weeks, OTHER: [True] * weeks}),
    )
    assert counted(found, OTHER) == list(range(DRY_WEEKS_MAX, weeks))


def test_a_van_is_given_up_after_a_long_time_without_a_job() -> None:
    never, late = [0.0] * 30, [0.0] * 30
    late[-GIVEN_UP_WEEKS] = 1
    early = [0.0] * 30
    early[-GIVEN_UP_WEEKS - 1] = 1
    assert given_up(by_van({1: never, 2: late, 3: early})).tolist() == [False, False, True]
    assert given_up(by_van({1: [], 2: []})).tolist() == [False, False]


def test_a_week_is_bare_when_nothing_was_there_nor_came() -> None:
    # Before the weeks 2 came and 1 went.
    came = of_discs({VAN: [2, 0, 0, 3, 0, 0]})
    went = of_discs({VAN: [1, 1, 2, 0, 1, 0]})
    found = bare_weeks(came, went)
    assert found[VAN, DISC].tolist() == [False, True, False, False, True]
    assert found.index.equals(came.index[1:])


ROWS = st.dictionaries(
    st.tuples(st.integers(1, 3), st.integers(11, 13), st.integers(-1, 11)), st.integers(1, 99_999)
)


@given(
    used=ROWS,
    came=ROWS,
    jobs=st.dictionaries(st.tuples(st.integers(1, 3), st.integers(0, 11)), st.integers(1, 9)),
)
@settings(max_examples=examples(60), deadline=None)
def test_frames_say_to_the_last_bit_what_filling_arrays_by_hand_says(
    used: dict[tuple[int, int, int], int],
    came: dict[tuple[int, int, int], int],
    jobs: dict[tuple[int, int], int],
) -> None:
    went = [(*cell, quantity) for cell, quantity in used.items()]
    books = Books(
        weeks=12,
        vans=[1, 2, 3],
        consumables=[11, 12, 13],
        used=[row for row in went if row[2] >= 0],
        jobs=[(*cell, number) for cell, number in jobs.items()],
        came=[(*cell, quantity) for cell, quantity in came.items()],
        went=went,
    )
    for ours, theirs in zip(by_frames(books), by_hand(books), strict=True):
        assert ours.dtype == theirs.dtype
        assert ours.tobytes() == theirs.tobytes()


def test_a_panel_of_no_weeks_vans_or_consumables_is_empty() -> None:
    for weeks, vans, consumables in ((0, [1], [11]), (3, [], [11]), (3, [1], [])):
        jobs = pd.DataFrame(0, index=iso_weeks(MONDAY, weeks), columns=pd.Index(vans, name=PLACE, dtype=int))
        panel = panel_of(
            Weeks(MONDAY, weeks, UTC), WorkingVans(jobs, None), consumables, used=[], came=[], went=[]
        )
        shape = weeks, len(vans) * len(consumables)
        assert panel.use.shape == panel.jobs.shape == panel.observed.shape == panel.demand.shape == shape
