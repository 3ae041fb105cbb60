"""Count adjustments: right after a count, the book of a place equals what was found.

What a count found stays true whatever arrives late: a use that happened before the count but came after it
was already seen by it. So the movements of a count line always sum to

    found - found by the count before - what moved between the two

and when that changes, the ledger appends a further movement to the same line.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.db.models import Q

from inventory.models import CountLine, Movement, PlaceConsumable


@dataclass(frozen=True, slots=True)
class Shift:
    """A further movement that a count line needs: quantity > 0 was found, < 0 is missing."""

    count_line: CountLine
    quantity: Decimal
    part: int


@dataclass(frozen=True, slots=True)
class Span:
    """The earliest and latest moment at which something changed for a pair."""

    earliest: datetime
    latest: datetime

    def including(self, moment: datetime) -> "Span":
        """Return the span widened to `moment`."""
        return Span(min(self.earliest, moment), max(self.latest, moment))


def shifts(touched: dict[PlaceConsumable, Span]) -> list[Shift]:
    """Return the movements that counts need after something changed for the pairs `touched`.

    One query when no count follows what changed, three otherwise, whatever the length of the history.
    """
    affected = _affected(touched)
    if not affected:
        return []
    moved = _moved(affected)
    have, parts = _booked([line for _, lines in affected.values() for line in lines])
    result = []
    for pair, (before, lines) in affected.items():
        times, running = moved[pair]
        previous = before
        for line in lines:
            start = bisect_right(times, previous.counted_at) if previous else 0
            end = bisect_right(times, line.counted_at)
            between = running[end] - running[start]
            needed = line.quantity - (previous.quantity if previous else Decimal(0)) - between
            if needed != have[line.pk]:
                result.append(Shift(line, needed - have[line.pk], parts[line.pk]))
            previous = line
    return result


def _affected(
    touched: dict[PlaceConsumable, Span],
) -> dict[PlaceConsumable, tuple[CountLine | None, list[CountLine]]]:
    """Return for each pair the count before the change and those whose result it may change."""
    if not touched:
        return {}
    earliest = min(span.earliest for span in touched.values())
    counts = CountLine.objects.filter(
        place__in={place for place, _ in touched}, consumable__in={consumable for _, consumable in touched}
    )
    if not counts.filter(counted_at__gte=earliest).exists():
        return {}
    by_pair: dict[PlaceConsumable, list[CountLine]] = defaultdict(list)
    standing = counts.filter(document__corrected_by__isnull=True)
    for line in standing.select_related("document").order_by("counted_at"):
        pair = (line.place_id, line.consumable_id)
        if pair in touched:
            by_pair[pair].append(line)
    affected = {}
    for pair, lines in by_pair.items():
        lines.sort(key=lambda line: (line.counted_at, line.document.order, line.line))
        times = [line.counted_at for line in lines]
        first = bisect_left(times, touched[pair].earliest)
        last = bisect_right(times, touched[pair].latest)
        if lines[first : last + 1]:
            affected[pair] = (lines[first - 1] if first else None, lines[first : last + 1])
    return affected


def _moved(
    affected: dict[PlaceConsumable, tuple[CountLine | None, list[CountLine]]],
) -> dict[PlaceConsumable, tuple[list[datetime], list[Decimal]]]:
    """Return for each pair the moments at which it moved other than by counts, and running totals.

    The running total before the first moment is at index 0.
    """
    places = {place for place, _ in affected}
    movements = Movement.objects.filter(
        Q(source__in=places) | Q(destination__in=places),
        consumable__in={consumable for _, consumable in affected},
        count_line__isnull=True,
        occurred_at__lte=max(lines[-1].counted_at for _, lines in affected.values()),
    )
    if all(before for before, _ in affected.values()):
        movements = movements.filter(
            occurred_at__gt=min(before.counted_at for before, _ in affected.values() if before)
        )
    steps: dict[PlaceConsumable, list[tuple[datetime, Decimal]]] = {pair: [] for pair in affected}
    rows = movements.order_by("occurred_at").values_list(
        "source_id", "destination_id", "consumable_id", "quantity", "occurred_at"
    )
    for source, destination, consumable, quantity, occurred_at in rows.iterator():
        if (source, consumable) in steps:
            steps[source, consumable].append((occurred_at, -quantity))
        if (destination, consumable) in steps:
            steps[destination, consumable].append((occurred_at, quantity))
    result = {}
    for pair, changes in steps.items():
        running = [Decimal(0)]
        for _, change in changes:
            running.append(running[-1] + change)
        result[pair] = ([moment for moment, _ in changes], running)
    return result


@dataclass(frozen=True, slots=True)
class Loss:
    """What a count line makes a loss of something that is entered after it as having come before it."""

    count_line: CountLine
    lost: Decimal


class CountsAfter:
    """The standing count lines of pairs since a moment, and what they have found too much so far."""

    def __init__(self, pairs: Collection[PlaceConsumable], since: datetime) -> None:
        """Read them: no query without pairs, one when there are no lines, two otherwise."""
        self._lines: dict[PlaceConsumable, list[CountLine]] = defaultdict(list)
        self._found: dict[int, Decimal] = {}
        if not pairs:
            return
        rows = CountLine.objects.filter(
            place__in={place for place, _ in pairs},
            consumable__in={consumable for _, consumable in pairs},
            counted_at__gte=since,
            document__corrected_by__isnull=True,
        ).select_related("document")
        for line in sorted(rows, key=lambda line: (line.counted_at, line.document.order, line.line)):
            if (pair := (line.place_id, line.consumable_id)) in pairs:
                self._lines[pair].append(line)
        found = [line for lines in self._lines.values() for line in lines]
        if found:
            self._found = _booked(found)[0]

    def lines(self, pair: PlaceConsumable) -> list[CountLine]:
        """Return the lines of a pair, in order."""
        return self._lines.get(pair, [])

    def take(self, pair: PlaceConsumable, moment: datetime, quantity: Decimal) -> Loss | None:
        """Take in what came to a pair at a moment; return what the next count makes a loss of, if any.

        What that count found too much is what came, so it is lost only as far as more came.
        """
        line = next((line for line in self.lines(pair) if line.counted_at >= moment), None)
        if line is None:
            return None
        explained = min(max(self._found[line.pk], Decimal(0)), quantity)
        self._found[line.pk] -= quantity
        return Loss(line, quantity - explained) if quantity > explained else None


def _booked(lines: list[CountLine]) -> tuple[dict[int, Decimal], dict[int, int]]:
    """Return what each count line has booked so far, and the number of its next movement."""
    places = {line.pk: line.place_id for line in lines}
    have = dict.fromkeys(places, Decimal(0))
    parts = dict.fromkeys(places, 0)
    rows = Movement.objects.filter(
        count_line__place__in=set(places.values()),
        count_line__consumable__in={line.consumable_id for line in lines},
    ).values_list("count_line_id", "destination_id", "quantity")
    for line, destination, quantity in rows:
        if line not in places:
            continue
        have[line] += quantity if destination == places[line] else -quantity
        parts[line] += 1
    return have, parts
