"""When periodic work is due: once a period, whatever clocks and settings do.

Changes of clocks used here, from the tz database: Lisbon 2026-03-29 01:00 and 2026-10-25 02:00 (Sundays),
New York 2026-03-08 02:00 and 2026-11-01 02:00 (Sundays), Lord Howe 2026-04-05 02:00 (back by half an hour)
and 2026-10-04 02:00 (on by half an hour).
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.schedule import DAILY, WEEKLY, Timetable, WorkKind, coming, latest, moment_of

ZONES = ("Europe/Lisbon", "America/New_York", "Australia/Lord_Howe")
SUNDAY = 7
START = datetime(2020, 1, 1, tzinfo=UTC)
CHANGES = [
    ("Europe/Lisbon", date(2026, 3, 29)),
    ("Europe/Lisbon", date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
]


def periods_seen(
    kind: WorkKind, timetable: Timetable, start: datetime, end: datetime
) -> list[tuple[str, datetime]]:
    """Return each period that becomes the latest between two moments, looked at now and then, and when."""
    seen: list[tuple[str, datetime]] = []
    now = start
    before = latest(kind, timetable, start).period
    while now < end:
        now += timedelta(minutes=5)
        period = latest(kind, timetable, now).period
        if period != before:
            seen.append((period, now))
            before = period
    return seen


@pytest.mark.parametrize(("name", "day"), CHANGES)
@pytest.mark.parametrize("weekday", [SUNDAY, 1])
def test_a_letter_at_six_comes_once_in_the_week_of_a_change_and_at_six(
    name: str, day: date, weekday: int
) -> None:
    zone = ZoneInfo(name)
    timetable = Timetable(zone, weekday, time(6))
    middle = datetime.combine(day, time(12), tzinfo=zone)
    # Saturday noon to Tuesday noon: the change, and both days on which the letter may come.
    start, end = middle - timedelta(days=1), middle + timedelta(days=2)
    seen = periods_seen(WorkKind.LETTER, timetable, start, end)
    assert len(seen) == 1
    assert seen[0][1].astimezone(zone).time() == time(6)
    whole = periods_seen(WorkKind.LETTER, timetable, middle - timedelta(days=10), middle + timedelta(days=11))
    assert len(whole) == len(dict(whole)) == 3


@pytest.mark.parametrize(
    ("name", "day", "clock", "utc"),
    [
        # 02:30 does not exist where 02:00 becomes 03:00: it is half an hour after the change.
        ("America/New_York", date(2026, 3, 8), time(2, 30), "2026-03-08T07:30"),
        # 01:30 does not exist where 01:00 becomes 02:00.
        ("Europe/Lisbon", date(2026, 3, 29), time(1, 30), "2026-03-29T01:30"),
        # 02:15 does not exist where 02:00 becomes 02:30.
        ("Australia/Lord_Howe", date(2026, 10, 4), time(2, 15), "2026-10-03T15:45"),
        # 01:30 comes twice: the first counts, still on summer time.
        ("America/New_York", date(2026, 11, 1), time(1, 30), "2026-11-01T05:30"),
        ("Europe/Lisbon", date(2026, 10, 25), time(1, 30), "2026-10-25T00:30"),
        # 01:45 comes twice where 02:00 becomes 01:30.
        ("Australia/Lord_Howe", date(2026, 4, 5), time(1, 45), "2026-04-04T14:45"),
        # Nothing special about noon.
        ("Europe/Lisbon", date(2026, 7, 1), time(12), "2026-07-01T11:00"),
    ],
)
def test_times_that_do_not_exist_or_come_twice_are_read_as_rfc_5545_says(
    name: str, day: date, clock: time, utc: str
) -> None:
    expected = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert moment_of(day, clock, ZoneInfo(name)) == expected
    assert moment_of(day, clock.replace(fold=1), ZoneInfo(name)) == expected
    timetable = Timetable(ZoneInfo(name), day.isoweekday(), clock)
    around = periods_seen(
        WorkKind.LETTER, timetable, expected - timedelta(hours=12), expected + timedelta(hours=12)
    )
    assert [when for _, when in around] == [expected]


@given(
    zone=st.sampled_from(ZONES),
    weekday=st.integers(1, 7),
    clock=st.times(),
    now=st.integers(0, 10 * 366 * 24 * 60).map(lambda minutes: START + timedelta(minutes=minutes)),
    kind=st.sampled_from([*WEEKLY, *DAILY]),
)
def test_the_next_period_follows_the_latest_without_a_gap(
    zone: str, weekday: int, clock: time, now: datetime, kind: WorkKind
) -> None:
    timetable = Timetable(ZoneInfo(zone), weekday, clock)
    was, next_ = latest(kind, timetable, now), coming(kind, timetable, now)
    assert was.at <= now < next_.at
    assert latest(kind, timetable, next_.at) == next_
    assert latest(kind, timetable, next_.at - timedelta(microseconds=1)) == was
    assert was.period < next_.period
    nominal = timedelta(days=1 if kind in DAILY else 7)
    assert abs(next_.at - was.at - nominal) <= timedelta(hours=1)


def test_the_forecast_and_the_drafts_come_on_the_day_of_the_letter_before_it() -> None:
    timetable = Timetable(ZoneInfo("Europe/Lisbon"), 3, time(6))
    now = datetime(2026, 11, 25, 7, tzinfo=UTC)
    forecast, restocks, letter = (latest(kind, timetable, now) for kind in WEEKLY)
    assert forecast.period == restocks.period == letter.period == "2026-W48"
    assert forecast.at == datetime(2026, 11, 25, tzinfo=UTC)
    assert letter.at == datetime(2026, 11, 25, 6, tzinfo=UTC)


def test_the_week_is_that_of_iso_8601_at_the_turn_of_the_year() -> None:
    # 2027-01-01 is a Friday in ISO week 53 of 2026; 2025-12-29 a Monday in week 1 of 2026.
    friday = Timetable(ZoneInfo("Europe/Lisbon"), 5, time(6))
    assert latest(WorkKind.LETTER, friday, datetime(2027, 1, 1, 8, tzinfo=UTC)).period == "2026-W53"
    monday = Timetable(ZoneInfo("Europe/Lisbon"), 1, time(6))
    assert latest(WorkKind.LETTER, monday, datetime(2025, 12, 29, 8, tzinfo=UTC)).period == "2026-W01"


def test_only_the_latest_of_several_missed_periods_is_due() -> None:
    timetable = Timetable(ZoneInfo("Europe/Lisbon"), 1, time(6))
    after_three_weeks = datetime(2026, 11, 25, 12, tzinfo=UTC)
    assert latest(WorkKind.LETTER, timetable, after_three_weeks).period == "2026-W48"
    assert latest(WorkKind.PURCHASES, timetable, after_three_weeks).period == "2026-11-25"


@pytest.mark.parametrize("weekday", [0, 8, -1])
def test_a_weekday_that_is_none_is_refused(weekday: int) -> None:
    with pytest.raises(ValueError, match=f"weekday {weekday} is not one of"):
        Timetable(ZoneInfo("UTC"), weekday, time(6))
