"""What a place held week by week, from what it holds now and the movements since. Pure."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal, localcontext
from itertools import groupby, pairwise

from forecasting.burn.censoring import DRY_WEEKS_MAX
from forecasting.stock_control.numeric_checks import rounded
from inventory.decimals import PRECISION, ZERO

# For this long after a use an empty van has a stockout, as for forecasts.
WANTED_FOR = timedelta(weeks=DRY_WEEKS_MAX)


@dataclass(frozen=True, slots=True)
class Change:
    """Stock that came (above 0) or went (below 0) at a moment."""

    at: datetime
    quantity: Decimal


@dataclass(frozen=True, slots=True)
class WeekHeld:
    """The least that was held at any moment of a week, and the average over its time.

    By the book a place may hold less than nothing; in the average that counts as nothing. `wanted`: at some
    moment of the week jobs had used it in the last WANTED_FOR; `ran_out`: there was nothing left at such a
    moment.
    """

    least: Decimal
    average: Decimal
    wanted: bool
    ran_out: bool


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


def weeks_held(
    held_now: Decimal,
    changes: Iterable[Change],
    starts: Sequence[datetime],
    *,
    uses: Sequence[datetime] = (),
    worn: bool = False,
) -> list[WeekHeld]:
    """Return what was held in each week between `starts`, the last of which is the end of the last week.

    `changes` are all from the first start up to now; `uses` the moments of use, in order, from WANTED_FOR
    before the first start on. Of a part that is `worn` the last one is at work when the book comes to
    nothing, so it has run out below that only.
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
        ends = [at for at, _ in within[1:]] + [end]
        found.append(
            WeekHeld(
                least=min(held for _, held in within),
                average=_average(within, ends),
                wanted=_is_wanted(uses, start, end),
                ran_out=any(
                    (held < 0 or (held == 0 and not worn)) and _is_wanted(uses, at, until)
                    for (at, held), until in zip(within, ends, strict=True)
                ),
            )
        )
    return found


def _is_wanted(uses: Sequence[datetime], start: datetime, end: datetime) -> bool:
    """Return whether there was a moment from `start` up to `end` with a use at it or in WANTED_FOR before."""
    before = bisect_left(uses, end)
    return before > 0 and uses[before - 1] + WANTED_FOR > start


def _average(within: Sequence[tuple[datetime, Decimal]], ends: Sequence[datetime]) -> Decimal:
    with localcontext(prec=PRECISION):
        seconds = [Decimal((until - at).total_seconds()) for (at, _), until in zip(within, ends, strict=True)]
        total = sum((max(held, ZERO) * time for (_, held), time in zip(within, seconds, strict=True)), ZERO)
        return rounded(total / sum(seconds))
