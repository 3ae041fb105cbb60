"""What a place held week by week: least, average over time, and by a walk through every hour."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.policy_review.stock_history import WANTED_FOR, Change, steps, weeks_held

START = datetime(2026, 3, 2, tzinfo=UTC)
STARTS = [START + timedelta(weeks=week) for week in range(4)]
HOURS_A_WEEK = 7 * 24


def change(hour: int, quantity: int) -> Change:
    return Change(START + timedelta(hours=hour), Decimal(quantity))


def used_at(*hours: int) -> list[datetime]:
    return [START + timedelta(hours=hour) for hour in hours]


def test_the_average_goes_by_time_and_counts_less_than_nothing_as_nothing() -> None:
    # 6 at the start; half a week later 10 go, which leaves -4 by the book; 9 come a week after that.
    found = weeks_held(Decimal(5), [change(84, -10), change(252, 9)], STARTS, uses=used_at(84))
    assert [week.least for week in found] == [-4, -4, 5]
    assert [week.average for week in found] == [3, Decimal("2.5"), 5]
    assert [week.ran_out for week in found] == [True, True, False]


def test_what_comes_and_goes_at_one_moment_is_one_change() -> None:
    found = weeks_held(Decimal(3), [change(10, -3), change(10, 3)], STARTS)
    assert {week.least for week in found} == {Decimal(3)}


def test_a_change_at_the_turn_of_a_week_belongs_to_the_week_that_starts() -> None:
    found = weeks_held(Decimal(0), [change(HOURS_A_WEEK, -4)], STARTS, uses=used_at(HOURS_A_WEEK))
    assert [week.ran_out for week in found] == [False, True, True]
    assert found[0].average == 4


def test_changes_after_the_last_week_only_say_what_was_there_before() -> None:
    found = weeks_held(Decimal(1), [change(5 * HOURS_A_WEEK, -7)], STARTS)
    assert {(week.least, week.average) for week in found} == {(Decimal(8), Decimal(8))}


def test_without_changes_there_is_one_step() -> None:
    assert steps(Decimal(2), [], START) == [(START, Decimal(2))]


def test_what_no_job_uses_never_runs_out() -> None:
    # Nothing at first, then 6; they go back to the depot in the last week.
    found = weeks_held(Decimal(0), [change(20, 6), change(2 * HOURS_A_WEEK + 5, -6)], STARTS)
    assert [week.least for week in found] == [0, 6, 0]
    assert [(week.wanted, week.ran_out) for week in found] == [(False, False)] * 3


def test_what_was_not_there_before_its_first_use_had_not_run_out() -> None:
    found = weeks_held(Decimal(3), [change(20, 6), change(30, -3)], STARTS, uses=used_at(30))
    assert [week.ran_out for week in found] == [False, False, False]
    # Of what was used before, the wait for more counts.
    found = weeks_held(Decimal(3), [change(20, 6), change(30, -3)], STARTS, uses=used_at(-5, 30))
    assert [week.ran_out for week in found] == [True, False, False]


def test_nothing_is_wanted_any_more_a_while_after_its_last_use() -> None:
    two_weeks_before_it_ends = START - WANTED_FOR + timedelta(weeks=2)
    found = weeks_held(Decimal(0), [], STARTS, uses=[two_weeks_before_it_ends])
    assert [week.ran_out for week in found] == [True, True, False]


def test_the_last_of_parts_that_wear_is_at_work_and_has_not_run_out() -> None:
    uses = used_at(10, HOURS_A_WEEK + 10)
    moves = [change(10, -1), change(HOURS_A_WEEK + 10, -1), change(2 * HOURS_A_WEEK, 2)]
    found = weeks_held(Decimal(1), moves, STARTS, uses=uses, worn=True)
    assert [week.least for week in found] == [0, -1, 1]
    assert [week.ran_out for week in found] == [False, True, False]


@given(
    st.lists(st.tuples(st.integers(0, 4 * HOURS_A_WEEK), st.integers(-5, 5), st.booleans()), max_size=12),
    st.lists(st.integers(-1500, -1), max_size=2),
    st.integers(-5, 20),
    st.booleans(),
)
@settings(max_examples=100)
def test_it_ran_out_when_a_walk_through_every_hour_finds_nothing_that_was_wanted(
    moves: list[tuple[int, int, bool]], before: list[int], held_now: int, worn: bool
) -> None:
    uses = sorted(before + [at for at, quantity, by_job in moves if by_job and quantity < 0])
    changes = [change(at, quantity) for at, quantity, _ in moves]
    found = weeks_held(Decimal(held_now), changes, STARTS, uses=used_at(*uses), worn=worn)
    for number, week in enumerate(found):
        hours = range(number * HOURS_A_WEEK, (number + 1) * HOURS_A_WEEK)
        held = {hour: held_now - sum(quantity for at, quantity, _ in moves if at > hour) for hour in hours}
        wanted = {hour for hour in hours if any(at <= hour < at + 8 * HOURS_A_WEEK for at in uses)}
        assert week.wanted == bool(wanted)
        assert week.ran_out == any(held[hour] < (0 if worn else 1) for hour in wanted)


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
