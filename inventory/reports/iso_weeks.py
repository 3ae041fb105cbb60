"""Whole ISO weeks in a time zone, and a query expression for the week of a moment.

A week starts on Monday (ISO 8601) at 00:00 on the clocks of its zone, so it may last an hour more or less
when they are changed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, tzinfo

from django.db.models import Case, IntegerField, Value, When
from django.db.models.expressions import Combinable

from inventory.weeks import A_WEEK, MONDAY, monday_of

BEFORE = -1


@dataclass(frozen=True, slots=True)
class Weeks:
    """Some whole weeks in a row, numbered from 0: from the Monday `first` on, on the clocks of `zone`.

    Raises ValueError when `first` is no Monday or there are fewer than no weeks.
    """

    first: date
    count: int
    zone: tzinfo

    def __post_init__(self) -> None:
        if self.first.isoweekday() != MONDAY:
            raise ValueError(f"{self.first} is not a Monday; weeks start on {monday_of(self.first)}")
        if self.count < 0:
            raise ValueError(f"{self.count} weeks cannot be; give 0 or more")

    @property
    def mondays(self) -> list[date]:
        """The first day of each week."""
        return [self.first + number * A_WEEK for number in range(self.count)]

    @property
    def starts(self) -> list[datetime]:
        """The moments at which the weeks start, and last the one at which the last of them ends."""
        return [
            datetime.combine(self.first + number * A_WEEK, time.min, self.zone).astimezone(UTC)
            for number in range(self.count + 1)
        ]

    @property
    def start(self) -> datetime:
        """The moment at which the first week starts."""
        return self.starts[0]

    @property
    def end(self) -> datetime:
        """The moment at which the last week ends."""
        return self.starts[-1]

    def number_of(self, field: str) -> Combinable:
        """Return the number of the week that a moment before `end` falls into; BEFORE for an earlier one.

        `field` names a moment of the query. A binary search in SQL: few comparisons for many weeks, on the
        moments themselves, so that the database need not know the zone.
        """
        return _search(field, self.starts[:-1], BEFORE, self.count)


def _search(field: str, starts: Sequence[datetime], low: int, high: int) -> Combinable:
    """Return the last number from `low` up to below `high` whose week has started by then."""
    if high - low <= 1:
        return Value(low)
    middle = (low + high) // 2
    return Case(
        When(**{f"{field}__lt": starts[middle]}, then=_search(field, starts, low, middle)),
        default=_search(field, starts, middle, high),
        output_field=IntegerField(),
    )
