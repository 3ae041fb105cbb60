"""What expires: lots estimated from the movements of the ledger (inventory.lots.fefo).

The replay of a consumable is stored every so many movements. A reading goes on from the last of these
checkpoints instead of the first movement, so it takes as long after ten years as after one. A checkpoint is
deleted when a reading finds that something was recorded later about the time before it: a late document,
a correction, a return. Checkpoints only save time; deleting any of them changes nothing that is shown.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import reduce
from itertools import groupby
from operator import attrgetter, or_
from typing import NamedTuple

from django.db.models import Max, Min, OuterRef, Q, QuerySet, Subquery

from inventory.documents import DocumentKind
from inventory.lots import fefo
from inventory.lots.fefo import LotMovement, LotReplay, Quantities
from inventory.models import OUTSIDE_CODES, Books, Holding, Lot, LotCheckpoint, Movement, Place

CHECKPOINT_EVERY = 500
# An OR of more conditions than this is slow to plan, and too deep for SQLite beyond a thousand.
CONSUMABLES_AT_ONCE = 50
LOTS_AT_ONCE = 1000


@dataclass(frozen=True, slots=True)
class ExpiringRow:
    """An estimate of how much of a lot is at a place, in stock units; place, consumable and lot by code."""

    place: str
    consumable: str
    lot: str
    quantity: Decimal
    expires_on: date


def expiring(by: date, consumables: Collection[int] | None = None) -> list[ExpiringRow]:
    """Return the lots in stock that expire on or before `by`, by day, place, consumable and lot.

    Of the consumables with these ids, or of all. The same number of queries for every 50 consumables that
    have or had such a lot; writes the checkpoints that are due.
    """
    due = Lot.objects.filter(
        expires_on__lte=by,
        document__corrected_by__isnull=True,
        consumable__in=Holding.objects.filter(quantity__gt=0).values("consumable"),
    )
    if consumables is not None:
        due = due.filter(consumable__in=consumables)
    affected = list(due.order_by().values_list("consumable", flat=True).distinct())
    found = [
        (place, lot, quantity)
        for keys in _parts(affected, CONSUMABLES_AT_ONCE)
        for held in remaining(keys).values()
        for place, quantities in held.items()
        for lot, quantity in quantities.items()
        if lot.expires_on is not None and lot.expires_on <= by
    ]
    if not found:
        return []
    places = dict(Place.objects.values_list("pk", "code"))
    names = _names_of({lot.key for _, lot, _ in found})
    rows = [
        ExpiringRow(places[place], *names[lot.key], quantity, lot.expires_on)
        for place, lot, quantity in found
        if lot.expires_on is not None
    ]
    return sorted(rows, key=attrgetter("expires_on", "place", "consumable", "lot"))


def redate_lots(books: Books) -> None:
    """Compute the expiry of all lots again from the days on the books' clocks, after these were changed."""
    changed: set[int] = set()
    last = 0
    counted = Lot.objects.filter(shelf_life_days__isnull=False).select_related("document").order_by("pk")
    while chunk := list(counted.filter(pk__gt=last)[:LOTS_AT_ONCE]):
        last = chunk[-1].pk
        moved = []
        for lot in chunk:
            received_on = books.day_of(lot.document.occurred_at)
            expires_on = received_on + timedelta(days=lot.shelf_life_days or 0)
            if expires_on != lot.expires_on:
                lot.expires_on = expires_on
                moved.append(lot)
        Lot.objects.bulk_update(moved, ["expires_on"], batch_size=200)
        changed |= {lot.consumable_id for lot in moved}
    LotCheckpoint.objects.filter(consumable__in=changed).delete()


def _names_of(keys: Collection[int]) -> dict[int, tuple[str, str]]:
    """Return the code of each lot's consumable and its own, or its delivery's. One query in 10,000 lots."""
    found: dict[int, tuple[str, str]] = {}
    for some in _parts(list(keys), 10_000):
        rows = Lot.objects.filter(pk__in=some).order_by()
        for key, consumable, code, delivery in rows.values_list(
            "pk", "consumable__code", "code", "document__client_id"
        ):
            found[key] = consumable, code or delivery
    return found


def remaining(consumables: Collection[int]) -> dict[int, dict[int, Quantities]]:
    """Return what is left of each lot at each place, for each of up to 50 consumables, all by id."""
    outside = set(Place.objects.filter(kind__in=OUTSIDE_CODES).values_list("pk", flat=True))
    found: dict[int, dict[int, Quantities]] = {}
    while waiting := set(consumables) - found.keys():
        checkpoints = _latest_checkpoints(waiting)
        played = {
            consumable: _played(consumable, checkpoints.get(consumable), list(rows), outside)
            for consumable, rows in groupby(_rows_after(waiting, checkpoints), key=attrgetter("consumable"))
        }
        # Asked only now: what the rows were read without is then found here, now or the next time.
        fresh = waiting - _drop_stale(checkpoints)
        due: list[LotCheckpoint] = []
        for consumable in fresh:
            if consumable not in played:
                played[consumable] = _played(consumable, checkpoints.get(consumable), [], outside)
            replay, made = played[consumable]
            found[consumable] = replay.left()
            due += made
        if due:
            LotCheckpoint.objects.bulk_create(due, ignore_conflicts=True)
    return found


class _Row(NamedTuple):
    consumable: int
    id: int
    occurred_at: datetime
    quantity: Decimal
    source: int
    destination: int
    reverses: int | None
    kind: str
    corrected_by: int | None
    lot: int | None
    expires_on: date | None


def _rows_after(consumables: Iterable[int], checkpoints: dict[int, LotCheckpoint]) -> Iterator[_Row]:
    """Yield the movements of each consumable after its checkpoint, as they happened. One query."""
    lot = Lot.objects.filter(document=OuterRef("document"), line=OuterRef("line"))
    movements: QuerySet[Movement] = Movement.objects.filter(
        _any_of(_after(consumable, checkpoints.get(consumable)) for consumable in consumables)
    )
    return map(
        _Row._make,
        movements.order_by("consumable", "occurred_at", "rank", "document__order", "line", "part")
        .values_list(
            "consumable_id",
            "pk",
            "occurred_at",
            "quantity",
            "source_id",
            "destination_id",
            "reverses_id",
            "document__kind",
            "document__corrected_by",
            Subquery(lot.values("pk")),
            Subquery(lot.values("expires_on")),
        )
        .iterator(),
    )


def _after(consumable: int, checkpoint: LotCheckpoint | None) -> Q:
    if checkpoint is None:
        return Q(consumable=consumable)
    # Nothing posts before it happened, and the index goes by posting.
    at = checkpoint.occurred_at
    return Q(consumable=consumable, occurred_at__gt=at, posted_at__gt=at)


def _any_of(conditions: Iterable[Q]) -> Q:
    return reduce(or_, conditions)


def _latest_checkpoints(consumables: Iterable[int]) -> dict[int, LotCheckpoint]:
    latest = (
        LotCheckpoint.objects.filter(consumable__in=consumables)
        .order_by()
        .values_list("consumable")
        .annotate(at=Max("occurred_at"))
    )
    conditions = [Q(consumable=consumable, occurred_at=at) for consumable, at in latest]
    rows = LotCheckpoint.objects.filter(_any_of(conditions)) if conditions else ()
    return {row.consumable_id: row for row in rows}


def _drop_stale(checkpoints: dict[int, LotCheckpoint]) -> set[int]:
    """Delete checkpoints that a later record made wrong; return their consumables.

    Postings of one consumable wait for each other, so a movement recorded later has a higher id.
    """
    if not checkpoints:
        return set()
    recorded_later = Movement.objects.filter(
        _any_of(Q(consumable=key, pk__gt=row.last_movement) for key, row in checkpoints.items())
    )
    changes = recorded_later.order_by().values_list("consumable")
    earliest: dict[int, datetime] = {}
    for consumable, *moments in changes.annotate(Min("occurred_at"), Min("reverses__occurred_at")):
        earliest[consumable] = min(moment for moment in moments if moment is not None)
    stale = {key: at for key, at in earliest.items() if at <= checkpoints[key].occurred_at}
    if stale:
        LotCheckpoint.objects.filter(
            _any_of(Q(consumable=key, occurred_at__gte=at) for key, at in stale.items())
        ).delete()
    return set(stale)


def _played(
    consumable: int, checkpoint: LotCheckpoint | None, rows: list[_Row], outside: set[int]
) -> tuple[LotReplay, list[LotCheckpoint]]:
    """Replay the movements after a checkpoint; return the replay, and the checkpoints that are due."""
    known = max([row.id for row in rows] + [checkpoint.last_movement if checkpoint else 0])
    # Corrected entries leave no trace.
    standing = [row for row in rows if row.kind != DocumentKind.CORRECTION and row.corrected_by is None]
    moves = [_move(row, outside) for row in standing]
    replay = LotReplay.from_json(checkpoint.state) if checkpoint else LotReplay()
    replay.expect(moves)
    made = []
    played = since = 0
    for moment, together in groupby(standing, key=attrgetter("occurred_at")):
        number = len(list(together))
        for move in moves[played : played + number]:
            replay.play(move)
        played += number
        since += number
        # The latest movements are left out, since what arrives late is mostly of these days.
        if since >= CHECKPOINT_EVERY and len(moves) - played >= CHECKPOINT_EVERY:
            state = replay.to_json(moves[played:])
            made.append(
                LotCheckpoint(consumable_id=consumable, occurred_at=moment, last_movement=known, state=state)
            )
            since = 0
    return replay, made


def _move(row: _Row, outside: set[int]) -> LotMovement:
    received = None
    if row.kind == DocumentKind.RECEIPT:
        received = fefo.UNKNOWN if row.lot is None else fefo.LotBalance(row.lot, row.expires_on)
    return LotMovement(
        row.id,
        row.quantity,
        None if row.source in outside else row.source,
        None if row.destination in outside else row.destination,
        received,
        row.reverses,
    )


def _parts(keys: Sequence[int], size: int) -> Iterator[Sequence[int]]:
    for start in range(0, len(keys), size):
        yield keys[start : start + size]
