"""What a place held week by week: least, average over time, and by a walk through every hour."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.policy_review.stock_history import Change, steps, weeks_held

START = datetime(2026, 3, 2, tzinfo=UTC)
STARTS = [START + timedelta(weeks=week) for week in range(4)]
HOURS_A_WEEK = 7 * 24


def change(hour: int, quantity: int) -> Change:
    return Change(START + timedelta(hours=hour), Decimal(quantity))


def test_the_average_goes_by_time_and_counts_less_than_nothing_as_nothing() -> None:
    # 6 at the start; half a week later 10 go, which leaves -4 by the book; 9 come a week after that.
    found = weeks_held(Decimal(5), [change(84, -10), change(252, 9)], STARTS)
    assert [week.least for week in found] == [-4, -4, 5]
    assert [week.average for week in found] == [3, Decimal("2.5"), 5]
    assert [week.ran_out for week in found] == [True, True, False]


def test_what_comes_and_goes_at_one_moment_is_one_change() -> None:
    found = weeks_held(Decimal(3), [change(10, -3), change(10, 3)], STARTS)
    assert {week.least for week in found} == {Decimal(3)}


def test_a_change_at_the_turn_of_a_week_belongs_to_the_week_that_starts() -> None:
    found = weeks_held(Decimal(0), [change(HOURS_A_WEEK, -4)], STARTS)
    assert [week.ran_out for week in found] == [False, True, True]
    assert found[0].average == 4


def test_changes_after_the_last_week_only_say_what_was_there_before() -> None:
    found = weeks_held(Decimal(1), [change(5 * HOURS_A_WEEK, -7)], STARTS)
    assert {(week.least, week.average) for week in found} == {(Decimal(8), Decimal(8))}


def test_without_changes_there_is_one_step() -> None:
    assert steps(Decimal(2), [], START) == [(START, Decimal(2))]


@given(
    st.lists(st.tuples(st.integers(0, 4 * HOURS_A_WEEK), st.integers(-5, 5)), max_size=12),
    st.integers(-5, 20),
)
@settings(max_examples=100)
def test_it_is_what_a_walk_through_every_hour_finds(moves: list[tuple[int, int]], held_now: int) -> None:
    found = weeks_held(Decimal(held_now), [change(*move) for move in moves], STARTS)
    for number, week in enumerate(found):
        hours = range(number * HOURS_A_WEEK, (number + 1) * HOURS_A_WEEK)
        held = [held_now - sum(quantity for at, quantity in moves if at > hour) for hour in hours]
        assert week.least == min(held)
        assert float(week.average) == pytest.approx(sum(max(one, 0) for one in held) / len(held), abs=1e-4)
