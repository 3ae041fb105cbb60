"""Which lots are still where, estimated: first expired, first out. Pure.

Nobody records the lot of a disc taken from a drawer. So the movements of a consumable are replayed
as a careful shop would make them: what is used, scrapped, lost or carried on is taken from the lot of a place
that expires first, and what comes back is assumed to be of the lot that expires last among those it may be
of. A replay can be stored and continued, so that nobody has to start from the first movement again.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from inventory.decimals import ZERO

# The number of lots, the last to expire, that are remembered after they left a place. What is found again is
# seldom older, and then it is of no known lot. Without a bound the memory would grow with every delivery
# there was.
REMEMBERED = 20


@dataclass(frozen=True, slots=True)
class LotBalance:
    """A batch; one without a day keeps forever."""

    key: int
    expires_on: date | None


# What came without a lot, was found by a count, or went out before anyone knew it was there.
UNKNOWN = LotBalance(0, None)


@dataclass(frozen=True, slots=True)
class LotMovement:
    """A quantity (> 0) going from one place to another; None means outside the shop.

    `lot` is what a receipt brought, UNKNOWN when that had none; `returns` is the key of the move that this
    one brings back a part of. What comes in with neither was found again.
    """

    key: int
    quantity: Decimal
    source: int | None
    destination: int | None
    lot: LotBalance | None = None
    returns: int | None = None


Quantities = dict[LotBalance, Decimal]


class LotReplay:
    """Lots at each place, and those that left the shop from each place."""

    def __init__(self) -> None:
        self._held: dict[int, Quantities] = defaultdict(dict)
        self._gone: dict[int, Quantities] = defaultdict(dict)
        self._owed: dict[int, Decimal] = defaultdict(Decimal)
        # What was taken from where by moves of which some comes back later.
        self._took: dict[int, tuple[int, Quantities]] = {}
        self._returned: set[int] = set()

    def expect(self, moves: Iterable[LotMovement]) -> None:
        """Announce the moves that come next, to remember what later returns bring back."""
        self._returned = {move.returns for move in moves if move.returns is not None}

    def left(self) -> dict[int, Quantities]:
        """Return what is left of each lot at each place that has any."""
        return {place: dict(lots) for place, lots in self._held.items() if lots}

    def to_json(self, to_come: Iterable[LotMovement]) -> dict[str, Any]:
        """Return all that matters for the moves `to_come`, as plain JSON."""
        due = {move.returns for move in to_come}
        return {
            "held": {str(place): _to_json(lots) for place, lots in self._held.items() if lots},
            "gone": {str(place): _to_json(lots) for place, lots in self._gone.items() if lots},
            "owed": {str(place): str(owed) for place, owed in self._owed.items() if owed},
            "took": {
                str(key): [place, _to_json(lots)] for key, (place, lots) in self._took.items() if key in due
            },
        }

    @classmethod
    def from_json(cls, state: Mapping[str, Any]) -> "LotReplay":
        """Return the replay that `to_json` stored."""
        replay = cls()
        replay._held.update({int(place): _from_json(lots) for place, lots in state["held"].items()})
        replay._gone.update({int(place): _from_json(lots) for place, lots in state["gone"].items()})
        replay._owed.update({int(place): Decimal(owed) for place, owed in state["owed"].items()})
        replay._took.update(
            {int(key): (place, _from_json(lots)) for key, (place, lots) in state["took"].items()}
        )
        return replay

    def play(self, move: LotMovement) -> None:
        """Carry the lots that a move takes to where it goes."""
        if move.source is not None:
            carried = self._take(move.source, move.quantity)
            if move.key in self._returned:
                self._took[move.key] = (move.source, dict(carried))
        elif move.lot is not None:
            carried = {move.lot: move.quantity}
        elif move.returns in self._took:
            place, candidates = self._took[move.returns]
            carried = self._bring_back(move.quantity, place, candidates)
        else:
            carried = self._bring_back(move.quantity, move.destination or 0, ())
        if move.destination is not None:
            self._put(move.destination, carried)
        elif move.source is not None:
            self._let_go(move.source, carried)

    def _take(self, place: int, quantity: Decimal) -> Quantities:
        """Take what expires first; what a place has not got is of no known lot, and owed to it."""
        carried = _draw(self._held[place], first_to_expire(self._held[place]), quantity)
        if missing := quantity - sum(carried.values(), ZERO):
            self._owed[place] += missing
            _add(carried, {UNKNOWN: missing})
        return carried

    def _put(self, place: int, carried: Quantities) -> None:
        """Put lots at a place, after covering what went out before it was there."""
        if owed := self._owed[place]:
            settled = _draw(carried, first_to_expire(carried), owed)
            total = sum(settled.values(), ZERO)
            self._owed[place] -= total
            # What went out unknown was of these lots.
            _draw(self._gone[place], [UNKNOWN], total)
            self._let_go(place, settled)
        _add(self._held[place], carried)

    def _let_go(self, place: int, carried: Quantities) -> None:
        """Remember what left the shop from a place, of the lots that expire last."""
        gone = self._gone[place]
        _add(gone, carried)
        if len(gone) > REMEMBERED + 1:
            for lot in first_to_expire(gone.keys() - {UNKNOWN})[:-REMEMBERED]:
                del gone[lot]

    def _bring_back(self, quantity: Decimal, place: int, candidates: Iterable[LotBalance]) -> Quantities:
        """Return what comes back of what left the shop from `place`: of `candidates` first."""
        gone = self._gone[place]
        order = [*last_to_expire(candidates), *last_to_expire(gone)]
        carried = _draw(gone, order, quantity)
        if more := quantity - sum(carried.values(), ZERO):
            _add(carried, {UNKNOWN: more})
        return carried


def first_to_expire(lots: Iterable[LotBalance]) -> list[LotBalance]:
    """Return lots in the order they expire; those that keep forever come last, unknown ones at the end."""
    return sorted(lots, key=lambda lot: (lot.expires_on or date.max, lot == UNKNOWN, lot.key))


def last_to_expire(lots: Iterable[LotBalance]) -> list[LotBalance]:
    """Return lots from the last to expire to the first; unknown ones still come at the end."""
    return sorted(lots, key=lambda lot: (lot != UNKNOWN, lot.expires_on or date.max, lot.key), reverse=True)


def _draw(lots: Quantities, order: Iterable[LotBalance], quantity: Decimal) -> Quantities:
    """Take up to `quantity` out of `lots` in the given order; return what was taken."""
    taken: Quantities = {}
    for lot in order:
        if not quantity:
            break
        part = min(quantity, lots.get(lot, ZERO))
        if part <= 0:
            continue
        taken[lot] = part
        quantity -= part
        if part == lots[lot]:
            del lots[lot]
        else:
            lots[lot] -= part
    return taken


def _add(lots: Quantities, more: Mapping[LotBalance, Decimal]) -> None:
    for lot, quantity in more.items():
        lots[lot] = lots.get(lot, ZERO) + quantity


def _to_json(lots: Quantities) -> list[tuple[int, str | None, str]]:
    return [
        (lot.key, lot.expires_on.isoformat() if lot.expires_on else None, str(quantity))
        for lot, quantity in lots.items()
    ]


def _from_json(rows: Iterable[tuple[int, str | None, str]]) -> Quantities:
    return {
        LotBalance(key, date.fromisoformat(day) if day else None): Decimal(quantity)
        for key, day, quantity in rows
    }
