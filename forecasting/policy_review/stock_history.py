"""What a place held week by week, from what it holds now and the movements since. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, localcontext
from itertools import groupby, pairwise

from forecasting.stock_control.numeric_checks import PRECISION, ZERO, rounded


@dataclass(frozen=True, slots=True)
class Change:
    """Stock that came (above 0) or went (below 0) at a moment."""

    at: datetime
    quantity: Decimal


@dataclass(frozen=True, slots=True)
class WeekHeld:
    """The least that was held at any moment of a week, and the average over its time.

    By the book a place may hold less than nothing; in the average that counts as nothing.
    """

    least: Decimal
    average: Decimal

    @property
    def ran_out(self) -> bool:
        """Whether the book came to nothing, or less, at any moment."""
        return self.least <= 0


def steps(held_now: Decimal, changes: Sequence[Change], start: datetime) -> list[tuple[datetime, Decimal]]:
    """Return what was held from each moment on, from `start`; of changes at one moment only the sum shows.

    `changes` are all since `start`, in order.
    """
    held = held_now - sum((change.quantity for change in changes), ZERO)
    found = [(start, held)]
    for at, together in groupby(changes, key=lambda change: change.at):
        held += sum((change.quantity for change in together), ZERO)
        if at <= start:
            found = [(start, held)]
        else:
            found.append((at, held))
    return found


def weeks_held(held_now: Decimal, changes: Iterable[Change], starts: Sequence[datetime]) -> list[WeekHeld]:
    """Return what was held in each week between `starts`, the last of which is the end of the last week.

    `changes` are all from the first start up to now.
    """
    line = steps(held_now, sorted(changes, key=lambda change: change.at), starts[0])
    found = []
    position = 0
    for start, end in pairwise(starts):
        while position + 1 < len(line) and line[position + 1][0] <= start:
            position += 1
        within = [(start, line[position][1])]
        last = position
        while last + 1 < len(line) and line[last + 1][0] < end:
            last += 1
            within.append(line[last])
        found.append(
            WeekHeld(
                least=min(held for _, held in within),
                average=_average(within, end),
            )
        )
    return found


def _average(within: Sequence[tuple[datetime, Decimal]], end: datetime) -> Decimal:
    ends = [at for at, _ in within[1:]] + [end]
    with localcontext(prec=PRECISION):
        seconds = [Decimal((until - at).total_seconds()) for (at, _), until in zip(within, ends, strict=True)]
        total = sum((max(held, ZERO) * time for (_, held), time in zip(within, seconds, strict=True)), ZERO)
        return rounded(total / sum(seconds))
