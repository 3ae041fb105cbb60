"""Other settings over the same past: levels as drafts have them, and what they bring."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.policy_review.what_if import Panel, alternatives, level_over_days, outcome, play
from forecasting.replenishment.protection_interval import over_days

LEVELS = (0.1, 0.5, 0.9, 0.99)


@given(
    st.lists(st.lists(st.integers(0, 30), min_size=4, max_size=4).map(sorted), min_size=1, max_size=3).map(
        lambda rows: np.maximum.accumulate(np.array(rows), axis=0)
    ),
    st.integers(1, 30),
    st.sampled_from(LEVELS),
)
@settings(max_examples=100)
def test_a_level_is_the_one_that_a_draft_has(rows: np.ndarray, days: int, level: float) -> None:
    by_weeks = {ahead: tuple(map(Decimal, row.tolist())) for ahead, row in enumerate(rows, 1)}
    drafted = over_days(by_weeks, LEVELS, days)
    found = level_over_days(rows[:, None, :].astype(float), LEVELS, np.array([level]), days)
    # Drafts also never let a higher level fall below a lower one.
    lower = [float(one) for one in drafted[: LEVELS.index(level)]]
    assert max(float(found[0]), *lower, 0.0) == pytest.approx(float(drafted[LEVELS.index(level)]), abs=2e-4)


def test_between_two_stored_quantiles_the_level_is_in_proportion() -> None:
    quantiles = np.array([[[1.0, 2.0, 6.0, 9.0]]])
    found = level_over_days(quantiles, LEVELS, np.array([0.7]), 7)
    assert found.tolist() == [pytest.approx(4.0)]


def test_one_thing_changes_in_each_alternative() -> None:
    in_force, *others = alternatives(review_days=7, lead_days=2)
    assert (in_force.review_days, in_force.lead_days, in_force.misses) == (7, 2, 1)
    assert [(one.review_days, one.lead_days, one.misses) for one in others] == [
        (7, 2, 0.5),
        (7, 2, 2.0),
        (14, 2, 1.0),
        (7, 1, 1.0),
        (7, 4, 1.0),
    ]
    assert [one.name for one in alternatives(14, 0)][3:] == ["review every 7 days", "lead time 1 day"]


def panel(whole: bool = True, room: float = np.inf) -> Panel:
    """One series that burns 2 a day, and a forecast that says so: 10, 14, 18 or 21 a week."""
    weeks = np.array([[10.0, 14.0, 18.0, 21.0], [22.0, 28.0, 34.0, 38.0]])
    return Panel(
        demand=np.full((1, 8 * 7), 2.0),
        quantiles=np.tile(weeks[None, :, None, :], (8, 1, 1, 1)),
        probabilities=np.array(LEVELS),
        service=np.array([0.9]),
        room=np.array([room]),
        whole=np.array([whole]),
    )


def test_fewer_shortages_take_more_stock() -> None:
    past = panel()
    in_force, half, twice, *_ = alternatives(7, 0)
    stock = [
        outcome(past, play(past, one, skip_days=7), np.array([3.0]), np.array([True]))
        for one in (twice, in_force, half)
    ]
    assert stock[0].pieces < stock[1].pieces < stock[2].pieces
    assert stock[1].lasted == stock[1].served == 1.0
    # 18 after each review, 2 fewer each day: 17, 15, ... 5 on average.
    assert stock[1].pieces == pytest.approx(11)
    assert stock[1].value == pytest.approx(33)
    assert stock[1].target == 0.9


def test_no_level_is_above_the_room_and_what_did_not_fit_is_short() -> None:
    past = panel(room=7.0)
    found = outcome(past, play(past, alternatives(7, 0)[0], skip_days=7), np.array([3.0]), np.array([True]))
    assert found.lasted == 0.0
    assert found.served == pytest.approx(3.5 / 7)


def test_what_is_measured_is_in_no_piece_but_has_a_value() -> None:
    past = panel(whole=False)
    found = outcome(past, play(past, alternatives(7, 0)[0], skip_days=7), np.array([3.0]), np.array([True]))
    assert found.pieces == 0
    assert found.value > 0
