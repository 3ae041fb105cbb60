"""ISO weeks as dates: seven days from Monday to Sunday (ISO 8601). Pure."""

from datetime import date, timedelta

DAYS_A_WEEK = 7
A_WEEK = timedelta(days=DAYS_A_WEEK)
MONDAY = 1


def monday_of(day: date) -> date:
    """Return the Monday of the ISO week that a day is in."""
    return day - timedelta(days=day.isoweekday() - MONDAY)
