"""The schedule of all periodic work, on the shop's clocks. Pure.

A period's key says which period it is, never when its work was done, so changed settings or clocks cannot
make a period's work due twice. A time of day that does not exist on the day of a change counts as far after
the change as it is after the gap's start, and one that comes twice is its first (RFC 5545, section 3.3.5).

Of several periods missed while nothing ran, only the latest is due, for every kind: last week's restock list
and yesterday's order drafts are useless once newer ones can be made, and a check of the books checks
all of them.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum

from inventory.weeks import A_WEEK

A_DAY = timedelta(days=1)
# Before the first letter anyone reads, and after the evening's last close.
CHECK_TIME, PURCHASE_TIME = time(2, 30), time(5, 0)


class WorkKind(StrEnum):
    """A kind of work that is done once a period."""

    FORECAST = "burn forecast"
    FORECAST_PART = "burn forecast, part"
    FORECAST_END = "burn forecast, end"
    RESTOCKS = "restock drafts"
    RENEWAL = "renewal for new data"
    LETTER = "weekly letter"
    PURCHASES = "purchase drafts"
    CHECK = "ledger check"
    SESSIONS = "clearing of ended sign-ins"
    PHOTOS = "clearing of photo files"


# What starts by the clock; the parts and the end of a forecast follow its beginning, a renewal new data.
WEEKLY = (WorkKind.FORECAST, WorkKind.RESTOCKS, WorkKind.LETTER)
DAILY = (WorkKind.PURCHASES, WorkKind.CHECK, WorkKind.SESSIONS, WorkKind.PHOTOS)


@dataclass(frozen=True, slots=True)
class Timetable:
    """The shop's clocks, and the ISO weekday (1 is Monday) and time of its letters."""

    zone: tzinfo
    letter_weekday: int
    letter_time: time

    def __post_init__(self) -> None:
        """Raise ValueError for a weekday that is none."""
        if not 1 <= self.letter_weekday <= 7:
            raise ValueError(
                f"weekday {self.letter_weekday} is not one of ISO 8601's 1 (Monday) to 7 (Sunday)"
            )


@dataclass(frozen=True, slots=True)
class Due:
    """A period's work, by the key of the period (2026-W48 or 2026-11-25), and when it becomes due in UTC."""

    kind: WorkKind
    period: str
    at: datetime


def moment_of(day: date, clock: time, zone: tzinfo) -> datetime:
    """Return the moment in UTC at which the shop's clocks show a time on a day."""
    return datetime.combine(day, clock.replace(fold=0), tzinfo=zone).astimezone(UTC)


def latest(kind: WorkKind, timetable: Timetable, now: datetime) -> Due:
    """Return the last period of a kind whose moment has come."""
    return max((due for due in _around(kind, timetable, now) if due.at <= now), key=lambda due: due.at)


def coming(kind: WorkKind, timetable: Timetable, now: datetime) -> Due:
    """Return the first period of a kind whose moment is still to come."""
    return min((due for due in _around(kind, timetable, now) if due.at > now), key=lambda due: due.at)


def _around(kind: WorkKind, timetable: Timetable, now: datetime) -> list[Due]:
    """Return the periods of a kind before, around and after a moment."""
    today = now.astimezone(timetable.zone).date()
    if kind in DAILY:
        clock = PURCHASE_TIME if kind == WorkKind.PURCHASES else CHECK_TIME
        days = [today + turn * A_DAY for turn in (-2, -1, 0, 1, 2)]
        return [Due(kind, day.isoformat(), moment_of(day, clock, timetable.zone)) for day in days]
    # The forecast and the drafts are made on the letter's day, from its first moment on.
    clock = timetable.letter_time if kind == WorkKind.LETTER else time.min
    monday = today - (today.isoweekday() - 1) * A_DAY
    dues = []
    for turn in (-2, -1, 0, 1, 2):
        day = monday + turn * A_WEEK + (timetable.letter_weekday - 1) * A_DAY
        year, week, _ = day.isocalendar()
        dues.append(Due(kind, f"{year}-W{week:02}", moment_of(day, clock, timetable.zone)))
    return dues
