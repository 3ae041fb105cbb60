"""Periods people ask for by name, and the period of the same length before one. Pure.

A period is given by its first and last day, both included; None leaves that end open.
"""

from calendar import monthrange
from dataclasses import dataclass
from datetime import date, timedelta

MONTHS_IN_QUARTER = 3
MONTHS_IN_YEAR = 12
ONE_DAY = timedelta(days=1)
# In the order offered; the words are shown as they are.
NAMES = ("this month", "last month", "this quarter", "last quarter", "this year", "last year", "all time")


@dataclass(frozen=True, slots=True)
class Period:
    """Days from `start` to `end`, both included."""

    start: date | None = None
    end: date | None = None

    def __str__(self) -> str:
        match self.start, self.end:
            case None, None:
                return "all time"
            case None, end:
                return f"up to {end}"
            case start, None:
                return f"from {start} on"
            case start, end:
                return f"{start} to {end}"

    @property
    def is_whole_months(self) -> bool:
        """Whether it starts with a first of the month and ends with a last."""
        return (
            self.start is not None
            and self.end is not None
            and self.start.day == 1
            and (self.end + ONE_DAY).day == 1
        )

    @property
    def before(self) -> "Period | None":
        """The period of the same length that ends the day before; None when an end is open.

        As many calendar months before whole months, as many days before anything else. None as well when it
        would start before the first year there is.
        """
        if self.start is None or self.end is None:
            return None
        try:
            if self.is_whole_months:
                months = _month_number(self.end) - _month_number(self.start) + 1
                start = _first_of(_month_number(self.start) - months)
            else:
                start = self.start - (self.end - self.start) - ONE_DAY
            return Period(start, self.start - ONE_DAY)
        except (OverflowError, ValueError):
            return None


def named(name: str, today: date) -> Period:
    """Return the period of a name; one that is running ends today. Raises ValueError for another name."""
    if name == "all time":
        return Period()
    month = _month_number(today)
    quarter = month - month % MONTHS_IN_QUARTER
    january = month - month % MONTHS_IN_YEAR
    # The first month, and the month after the last one.
    months = {
        "this month": (month, None),
        "last month": (month - 1, month),
        "this quarter": (quarter, None),
        "last quarter": (quarter - MONTHS_IN_QUARTER, quarter),
        "this year": (january, None),
        "last year": (january - MONTHS_IN_YEAR, january),
    }
    if name not in months:
        raise ValueError(f"{name!r} is not one of {', '.join(NAMES)}")
    first, after = months[name]
    return Period(_first_of(first), today if after is None else _first_of(after) - ONE_DAY)


def days_problem(start: date | None, end: date | None) -> str | None:
    """Return what is wrong with a first and a last day that a form asked for, or None."""
    if start and end and end < start:
        return f"The last day, {end}, is before the first, {start}: swap them."
    return None


def month_of(day: date) -> Period:
    """Return the calendar month of a day, whole."""
    return Period(day.replace(day=1), day.replace(day=monthrange(day.year, day.month)[1]))


def months_back(today: date, number: int) -> list[Period]:
    """Return the months up to the current one, the latest first."""
    latest = _month_number(today)
    return [month_of(_first_of(latest - back)) for back in range(number)]


def _month_number(day: date) -> int:
    """Return the months since the year 0, counted from its January as 0."""
    return day.year * MONTHS_IN_YEAR + day.month - 1


def _first_of(month: int) -> date:
    return date(month // MONTHS_IN_YEAR, month % MONTHS_IN_YEAR + 1, 1)
