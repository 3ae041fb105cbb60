"""Periods by name, and the one of the same length before."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.accounting.periods import NAMES, Period, month_of, months_back, named

DAYS = st.dates(date(2001, 1, 1), date(2099, 12, 31))


@pytest.mark.parametrize(
    ("name", "start", "end"),
    [
        ("this month", "2026-11-01", "2026-11-25"),
        ("last month", "2026-10-01", "2026-10-31"),
        ("this quarter", "2026-10-01", "2026-11-25"),
        ("last quarter", "2026-07-01", "2026-09-30"),
        ("this year", "2026-01-01", "2026-11-25"),
        ("last year", "2025-01-01", "2025-12-31"),
    ],
)
def test_a_name_means_days_of_the_calendar(name: str, start: str, end: str) -> None:
    found = named(name, date(2026, 11, 25))
    assert found == Period(date.fromisoformat(start), date.fromisoformat(end))


def test_names_at_the_turn_of_a_year() -> None:
    assert named("last month", date(2026, 1, 1)) == Period(date(2025, 12, 1), date(2025, 12, 31))
    assert named("last quarter", date(2026, 3, 31)) == Period(date(2025, 10, 1), date(2025, 12, 31))


def test_all_time_is_open_and_has_nothing_before() -> None:
    assert named("all time", date(2026, 1, 1)) == Period()
    assert Period().before is None
    assert Period(date(2026, 1, 1)).before is None
    assert Period(end=date(2026, 1, 1)).before is None


def test_another_name_is_refused() -> None:
    with pytest.raises(ValueError, match="'fortnight' is not one of this month"):
        named("fortnight", date(2026, 1, 1))


def test_before_whole_months_come_as_many_months() -> None:
    assert month_of(date(2026, 3, 9)).before == Period(date(2026, 2, 1), date(2026, 2, 28))
    assert Period(date(2026, 1, 1), date(2026, 3, 31)).before == Period(date(2025, 10, 1), date(2025, 12, 31))
    assert Period(date(2025, 1, 1), date(2025, 12, 31)).before == Period(date(2024, 1, 1), date(2024, 12, 31))


@given(DAYS, st.integers(0, 400))
def test_before_any_other_days_come_as_many_days(start: date, longer: int) -> None:
    period = Period(start, start + timedelta(days=longer))
    before = period.before
    assert before is not None
    assert before.start is not None
    assert before.end == start - timedelta(days=1)
    if not period.is_whole_months:
        assert before.end - before.start == timedelta(days=longer)


@given(DAYS, st.sampled_from(NAMES))
def test_no_named_period_ends_after_today(today: date, name: str) -> None:
    period = named(name, today)
    assert period.end is None or period.end <= today
    assert period.start is None or period.end is None or period.start <= period.end


def test_there_is_nothing_before_the_first_years() -> None:
    assert Period(date(1, 1, 1), date(1, 1, 31)).before is None
    assert Period(date(1, 1, 5), date(1, 2, 5)).before is None


def test_months_come_the_latest_first() -> None:
    assert [month.start for month in months_back(date(2026, 2, 10), 3)] == [
        date(2026, 2, 1),
        date(2026, 1, 1),
        date(2025, 12, 1),
    ]


@pytest.mark.parametrize(
    ("period", "words"),
    [
        (Period(), "all time"),
        (Period(date(2026, 1, 1)), "from 2026-01-01 on"),
        (Period(end=date(2026, 1, 1)), "up to 2026-01-01"),
        (Period(date(2026, 1, 1), date(2026, 1, 31)), "2026-01-01 to 2026-01-31"),
    ],
)
def test_a_period_in_words(period: Period, words: str) -> None:
    assert str(period) == words
