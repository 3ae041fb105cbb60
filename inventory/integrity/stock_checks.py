"""Is the ledger consistent? Stock, counts and values, each computed again from the movements.

Movements are trusted here; inventory.integrity.document_checks compares them with their documents.
Nothing is written. Memory is bounded by the movements of one consumable.
"""

from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.core.exceptions import ObjectDoesNotExist
from django.db import DatabaseError
from django.db.models import F, Q, Sum

from inventory.decimals import ZERO
from inventory.models import (
    OUTSIDE_CODES,
    REAL_KINDS,
    Consumable,
    CostAdjustment,
    CostCheckpoint,
    CostPool,
    CountLine,
    Holding,
    Movement,
    MovementValue,
    Place,
)
from inventory.perpetual_valuation.stored_values import adjustments_of
from inventory.perpetual_valuation.valuer import ValuationResult, ValuedMovement, Valuer
from inventory.valuation.cost_layers import Pool

Progress = Callable[[int], object]


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One stored fact that differs from what its source gives."""

    what: str
    where: str
    stored: object
    expected: object


# What reading a corrupted fact raises.
UNREADABLE = (
    *(ArithmeticError, AssertionError, AttributeError, LookupError, TypeError, ValueError),
    *(DatabaseError, ObjectDoesNotExist),
)


def named_where_unreadable(what: str, where: str, found: Iterator[Disagreement]) -> Iterator[Disagreement]:
    """Yield what a check finds; facts so damaged that it cannot go on are a disagreement too."""
    try:
        yield from found
    except UNREADABLE as error:
        yield Disagreement(
            what, where, f"not to be checked ({type(error).__name__}: {error})", "what can be read"
        )


def stock_disagreements(progress: Progress = lambda _: None) -> Iterator[Disagreement]:
    """Yield what is wrong with the stock and values of each consumable.

    `progress` is called with the number of consumables looked at since its last call.
    """
    valuer = Valuer()
    places = {place.pk: place for place in Place.objects.all()}
    for consumable in Consumable.objects.order_by("code"):
        for check in (
            _impossible_movements(consumable),
            _holdings(consumable, places),
            _counts(consumable, places),
            _values(consumable, valuer),
        ):
            yield from named_where_unreadable("stock", consumable.code, check)
        progress(1)


def _impossible_movements(consumable: Consumable) -> Iterator[Disagreement]:
    movements = Movement.objects.filter(consumable=consumable).select_related("document")
    for movement in movements.filter(quantity__lte=0):
        yield Disagreement("movement's quantity", _name(movement), movement.quantity, "more than zero")
    both_outside = Q(source__kind__in=OUTSIDE_CODES, destination__kind__in=OUTSIDE_CODES)
    for movement in movements.filter(both_outside | Q(source=F("destination"))):
        ends = f"from {movement.source} to {movement.destination}"
        yield Disagreement("movement's places", _name(movement), ends, "two places, one of them real")


def _holdings(consumable: Consumable, places: dict[int, Place]) -> Iterator[Disagreement]:
    """Compare holdings with the sums of movements; over all places, outside ones too, they sum to zero."""
    moved: dict[int, Decimal] = defaultdict(Decimal)
    movements = Movement.objects.filter(consumable=consumable).order_by()
    for end, sign in (("source_id", -1), ("destination_id", 1)):
        for place, total in movements.values_list(end).annotate(total=Sum("quantity")):
            moved[place] += sign * total
    held = dict(Holding.objects.filter(consumable=consumable).values_list("place_id", "quantity"))
    for place in sorted(moved.keys() | held.keys()):
        if place not in places:
            yield Disagreement("place", consumable.code, f"place with id {place}", "a known place")
        elif places[place].kind in REAL_KINDS and held.get(place, ZERO) != moved[place]:
            yield Disagreement(
                "holding", f"{consumable} at {places[place]}", held.get(place, ZERO), moved[place]
            )
    outside = sum((moved[pk] for pk, place in places.items() if place.kind in OUTSIDE_CODES), ZERO)
    if total := sum(held.values(), ZERO) + outside:
        yield Disagreement("sum over all places", consumable.code, total, ZERO)


def _counts(consumable: Consumable, places: dict[int, Place]) -> Iterator[Disagreement]:
    """Compare what each count line booked with what it had to book for the book to hold what was found."""
    lines = list(
        CountLine.objects.filter(consumable=consumable)
        .select_related("document", "document__corrected_by")
        .order_by("counted_at", "document__order", "line")
    )
    if not lines:
        return
    counted_at = {line.pk: line.place_id for line in lines}
    booked: dict[int, Decimal] = defaultdict(Decimal)
    book = _CountedBook([line for line in lines if not hasattr(line.document, "corrected_by")])
    movements = Movement.objects.filter(consumable=consumable).order_by("occurred_at")
    for source, destination, quantity, occurred_at, count_line in movements.values_list(
        "source_id", "destination_id", "quantity", "occurred_at", "count_line_id"
    ).iterator():
        for place, change in ((source, -quantity), (destination, quantity)):
            if count_line is None:
                book.move(place, change, occurred_at)
            elif counted_at.get(count_line) == place:
                booked[count_line] += change
    book.finish()
    for line in lines:
        needed = book.needed.get(line.pk, ZERO)
        if booked[line.pk] != needed:
            where = f"{line}, {consumable} at {places[line.place_id]}"
            yield Disagreement("movements of count line", where, booked[line.pk], needed)


class _CountedBook:
    """What each standing count line of a consumable has to book: found - found before - moved between."""

    def __init__(self, lines: list[CountLine]) -> None:
        self.needed: dict[int, Decimal] = {}
        self._waiting: dict[int, deque[CountLine]] = defaultdict(deque)
        self._last_found: dict[int, Decimal] = defaultdict(Decimal)
        self._moved: dict[int, Decimal] = defaultdict(Decimal)
        for line in lines:
            self._waiting[line.place_id].append(line)

    def move(self, place: int, change: Decimal, occurred_at: datetime) -> None:
        """Take in a change of a place other than by a count; they come in the order they happened."""
        lines = self._waiting.get(place)
        while lines and lines[0].counted_at < occurred_at:
            self._count(lines.popleft())
        self._moved[place] += change

    def finish(self) -> None:
        """Settle the counts after the last change."""
        for lines in self._waiting.values():
            while lines:
                self._count(lines.popleft())

    def _count(self, line: CountLine) -> None:
        place = line.place_id
        self.needed[line.pk] = line.quantity - self._last_found[place] - self._moved.pop(place, ZERO)
        self._last_found[place] = line.quantity


def _values(consumable: Consumable, valuer: Valuer) -> Iterator[Disagreement]:
    """Compare all stored values with a full rebuild."""
    opening = valuer.empty()
    rows: list[ValuedMovement] = []
    for _, found in valuer.rows({consumable.pk: opening}):
        rows = found
    try:
        result = valuer.run(rows, opening)
    except (ArithmeticError, KeyError, ValueError) as error:
        yield Disagreement(
            "movements", consumable.code, f"cannot be valued: {error}", "movements with a value"
        )
        return
    for row in rows:
        valued = result.values[row.id]
        if (row.value, row.provisional) != (valued.value, valued.provisional):
            yield Disagreement(
                "value",
                _name(Movement.objects.get(pk=row.id)),
                _value_text(row.value, row.provisional),
                _value_text(valued.value, valued.provisional),
            )
    inside = MovementValue.objects.filter(
        movement__consumable=consumable,
        movement__source__kind__in=REAL_KINDS,
        movement__destination__kind__in=REAL_KINDS,
    )
    for value in inside.select_related("movement__document"):
        yield Disagreement("value", _name(value.movement), value.value, "none; it stays in stock")
    yield from _adjustments(consumable, result)
    yield from _pools(consumable, result)


def _adjustments(consumable: Consumable, result: ValuationResult) -> Iterator[Disagreement]:
    stored = {_pair(adjustment): adjustment for adjustment in consumable.adjustments.all()}
    expected = {_pair(adjustment): adjustment for adjustment in adjustments_of(consumable.pk, result)}
    for pair in sorted(stored.keys() | expected.keys()):
        kept, due = _adjustment_text(stored.get(pair)), _adjustment_text(expected.get(pair))
        if kept != due:
            settles, settled = (_name(Movement.objects.get(pk=pk)) for pk in pair)
            yield Disagreement("cost adjustment", f"{settles}, of {settled}", kept, due)


def _pools(consumable: Consumable, result: ValuationResult) -> Iterator[Disagreement]:
    pool = CostPool.objects.filter(pk=consumable.pk).first() or CostPool(pk=consumable.pk)
    closing = result.closing
    if pool.posted_at != closing.posted_at:
        yield Disagreement("moment of cost pool", consumable.code, pool.posted_at, closing.posted_at)
    if closing.posted_at is not None and stored_pool(pool.state) != closing.pool:
        yield Disagreement("cost pool", consumable.code, pool.state, closing.pool.to_json())
    due = dict(result.checkpoints)
    for checkpoint in CostCheckpoint.objects.filter(consumable=consumable).order_by("posted_at"):
        expected = due.get(checkpoint.posted_at)
        if stored_pool(checkpoint.state) != expected:
            where = f"{consumable} at {checkpoint.posted_at}"
            yield Disagreement(
                "checkpoint", where, checkpoint.state, expected.to_json() if expected else None
            )


def stored_pool(state: dict[str, Any] | None) -> Pool | None:
    """Return a pool as it was stored, or None when there is none or it cannot be read."""
    if state is None:
        return None
    try:
        return Pool.from_json(state)
    except (ArithmeticError, LookupError, TypeError, ValueError):
        return None


def _pair(adjustment: CostAdjustment) -> tuple[int, int]:
    return adjustment.movement_id, adjustment.adjusts_id


def _adjustment_text(adjustment: CostAdjustment | None) -> str:
    if adjustment is None:
        return "none"
    return (
        f"{adjustment.quantity:.4f} cost {adjustment.actual:.4f}, were valued at {adjustment.valued:.4f}, "
        f"posted {adjustment.posted_at:%Y-%m-%d %H:%M:%S.%f}"
    )


def _value_text(value: Decimal | None, provisional: bool | None) -> str:  # noqa: FBT001 - a stored fact
    if value is None:
        return "none"
    return f"{value:.4f}{' provisional' if provisional else ''}"


def _name(movement: Movement) -> str:
    return f"{movement}, {movement.consumable}"
