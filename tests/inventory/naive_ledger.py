"""The ledger once more, naively: lists of plain records, everything worked out again from the first one.

Written from the design's words only, to be compared with the real ledger; slow and without shortcuts.
"""

import copy
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from inventory import documents as d

ZERO = Decimal(0)
INTO_STOCK, OUT_OF_STOCK = "into", "out of"
RANK = {"receipt": 0, INTO_STOCK: 1, "transfer": 2, "close": 3, "use": 3, "return": 4, "scrap": 5, "count": 6}
OUTSIDE = ("supplier", "job", "lost", "scrapped")

Key = tuple[str, str, int, int]  # kind and id of the document, line, part
IdOrder = tuple[list[tuple[bool, int, str]], str]
Found = dict[tuple[str, str], Decimal]


def id_order(id_: str) -> IdOrder:
    """Sort R-9 before R-10, and R-09 before R-9."""
    tokens = re.findall(r"\d+|\D+", id_)
    return [(not t.isdigit(), int(t) if t.isdigit() else 0, "" if t.isdigit() else t) for t in tokens], id_


class WouldRefuse(Exception):
    """The document cannot be posted, for what it says or for what it undoes."""


class WouldConflict(WouldRefuse):
    """Another document has the id."""


@dataclass
class Move:
    """One movement."""

    key: Key
    consumable: str
    quantity: Decimal
    source: str
    destination: str
    occurred_at: datetime
    posted_at: datetime
    rank: int
    landed: Decimal = ZERO
    reverses: "Move | None" = None
    count: tuple[str, int] | None = None

    @property
    def crosses(self) -> bool:
        return (self.source in OUTSIDE) != (self.destination in OUTSIDE)

    @property
    def order(self) -> tuple[datetime, int, "IdOrder", str, int, int]:
        kind, id_, line, part = self.key
        return self.posted_at, self.rank, id_order(id_), kind, line, part


@dataclass
class Worth:
    """What a re-valuation found."""

    values: dict[Key, Decimal] = field(default_factory=dict)
    provisional: set[Key] = field(default_factory=set)
    adjustments: dict[tuple[Key, Key], tuple[datetime, Decimal, Decimal, Decimal]] = field(
        default_factory=dict
    )
    quantity: Decimal = ZERO
    value: Decimal = ZERO


class NaiveLedger:
    """Takes documents in as the ledger should."""

    def __init__(self, policy: list[tuple[datetime | None, str]]) -> None:
        self.policy = policy
        self.documents: dict[tuple[str, str], d.Document] = {}
        self.posted_at: dict[tuple[str, str], datetime] = {}
        self.corrected: set[tuple[str, str]] = set()
        self.moves: list[Move] = []
        self.first_open: datetime | None = None

    def posting_moment(self, moment: datetime) -> datetime:
        return moment if self.first_open is None else max(moment, self.first_open)

    def post(self, batch: Sequence[d.Document]) -> list[bool]:
        """Take documents in, all or none; return which of them are new."""
        before = copy.deepcopy(self.__dict__)
        try:
            new = [self._take_in(document) for document in batch]
        except WouldRefuse:
            self.__dict__ = before
            raise
        self._let_counts_stand()
        return new

    def _take_in(self, document: d.Document) -> bool:
        name = (document.kind.value, document.id)
        if name in self.documents:
            if d.content(self.documents[name]) != d.content(document):
                raise WouldConflict
            return False
        moves = self._moves_of(document)
        self.documents[name] = document
        self.moves += moves
        if isinstance(document, d.Correction):
            self.corrected.add((document.corrects_kind, document.corrects_id))
        return True

    def _moves_of(self, document: d.Document) -> list[Move]:
        name = (document.kind.value, document.id)
        if isinstance(document, d.Correction):
            return self._correct(document)
        self.posted_at[name] = self.posting_moment(document.occurred_at)
        if isinstance(document, d.Count):
            return []
        if isinstance(document, d.Return):
            return self._give_back(document)
        lines: Sequence[d.Line | d.ReceiptLine] = document.lines
        landed = [ZERO] * len(lines)
        if isinstance(document, d.Receipt):
            source, destination = "supplier", document.place
            landed = _landed(document)
        elif isinstance(document, d.Transfer):
            source, destination = document.source, document.destination
        else:
            source, destination = document.place, "scrapped" if isinstance(document, d.Scrap) else "job"
        return [
            Move(
                (*name, number, 0),
                line.consumable,
                line.quantity,
                source,
                destination,
                document.occurred_at,
                self.posted_at[name],
                RANK[name[0]],
                landed[number - 1],
            )
            for number, line in enumerate(lines, 1)
        ]

    def _of(self, kind: str, id_: str) -> list[Move]:
        return sorted((m for m in self.moves if m.key[:2] == (kind, id_)), key=lambda m: m.key)

    def _standing_returns(self, move: Move) -> list[Move]:
        return [
            m
            for m in self.moves
            if m.reverses is move and m.key[0] == "return" and m.key[:2] not in self.corrected
        ]

    def _give_back(self, document: d.Return) -> list[Move]:
        target = (document.returns_kind, document.returns_id)
        if target not in self.documents or target[0] not in ("close", "use") or target in self.corrected:
            raise WouldRefuse
        if document.occurred_at < self.documents[target].occurred_at:
            raise WouldRefuse
        posted_at = max(self.posting_moment(document.occurred_at), self.posted_at[target])
        self.posted_at["return", document.id] = posted_at
        taken: list[Move] = []
        for line in document.lines:
            due = line.quantity
            for out in self._of(*target):
                back = sum(
                    (m.quantity for m in [*self._standing_returns(out), *taken] if m.reverses is out), ZERO
                )
                part = min(due, out.quantity - back)
                if out.consumable == line.consumable and part > 0:
                    taken.append(
                        Move(
                            ("return", document.id, len(taken) + 1, 0),
                            out.consumable,
                            part,
                            "job",
                            document.place,
                            document.occurred_at,
                            posted_at,
                            RANK["return"],
                            reverses=out,
                        )
                    )
                    due -= part
            if due:
                raise WouldRefuse
        return taken

    def _correct(self, document: d.Correction) -> list[Move]:
        target = (document.corrects_kind, document.corrects_id)
        if target not in self.documents or target[0] == "correction" or target in self.corrected:
            raise WouldRefuse
        undone = self._of(*target)
        if any(self._standing_returns(move) for move in undone):
            raise WouldRefuse
        if target[0] == "return" and self.posting_moment(self.posted_at[target]) != self.posted_at[target]:
            raise WouldRefuse
        self.posted_at["correction", document.id] = self.posting_moment(self.posted_at[target])
        return [
            Move(
                ("correction", document.id, number, 0),
                move.consumable,
                move.quantity,
                move.destination,
                move.source,
                move.occurred_at,
                self.posting_moment(move.posted_at),
                5 if target[0] == "receipt" else RANK[INTO_STOCK],
                reverses=move,
                count=move.count,
            )
            for number, move in enumerate(undone, 1)
        ]

    def _let_counts_stand(self) -> None:
        """Book what each standing count lacks: right after it, its place holds what it found."""
        counts: dict[tuple[str, str], list[tuple[datetime, IdOrder, str, int, Decimal]]] = defaultdict(list)
        for name, document in self.documents.items():
            if isinstance(document, d.Count) and name not in self.corrected:
                for number, line in enumerate(document.lines, 1):
                    counts[line.place, line.consumable].append(
                        (document.occurred_at, id_order(document.id), document.id, number, line.quantity)
                    )
        for (place, consumable), lines in counts.items():
            before: datetime | None = None
            found_before = ZERO
            for moment, _, id_, number, found in sorted(lines):
                between = sum(
                    (
                        m.quantity * ((m.destination == place) - (m.source == place))
                        for m in self.moves
                        if m.consumable == consumable
                        and m.count is None
                        and m.occurred_at <= moment
                        and (before is None or m.occurred_at > before)
                    ),
                    ZERO,
                )
                booked = [m for m in self.moves if m.key[:3] == ("count", id_, number)]
                have = sum((m.quantity * (1 if m.destination == place else -1) for m in booked), ZERO)
                lacks = found - found_before - between - have
                if lacks:
                    self.moves.append(
                        Move(
                            ("count", id_, number, len(booked)),
                            consumable,
                            abs(lacks),
                            "lost" if lacks > 0 else place,
                            place if lacks > 0 else "lost",
                            moment,
                            self.posting_moment(moment),
                            RANK["count"],
                            count=(id_, number),
                        )
                    )
                before, found_before = moment, found

    def holdings(self) -> Found:
        """Return what each place holds: the sum of its movements."""
        held: Found = defaultdict(lambda: ZERO)
        for move in self.moves:
            held[move.source, move.consumable] -= move.quantity
            held[move.destination, move.consumable] += move.quantity
        return {pair: quantity for pair, quantity in held.items() if quantity}

    def worth(self, consumable: str) -> Worth:
        """Value all movements of a consumable that cross the boundary of stock, in order."""
        moves = sorted(
            (m for m in self.moves if m.consumable == consumable and m.crosses), key=lambda m: m.order
        )
        worth = Worth()
        pool = _NaivePool(self._method(None), worth)
        returned: dict[Key, tuple[Decimal, Decimal]] = defaultdict(lambda: (ZERO, ZERO))
        void = {
            m.key
            for back in moves
            if back.key[0] == "correction" and back.reverses and back.reverses.posted_at == back.posted_at
            for m in (back, back.reverses)
        }
        done: set[Key] = set()
        for move in moves:
            pool.change_method(self._method(move.posted_at))
            if move.key in void:
                worth.values[move.key] = ZERO
            elif move.key[0] == "count":
                if move.key not in done:
                    parts = [
                        m
                        for m in moves
                        if (m.key[:3], m.posted_at) == (move.key[:3], move.posted_at) and m.key not in void
                    ]
                    done |= {m.key for m in parts}
                    pool.value_count(parts)
            elif move.source == "supplier":
                worth.values[move.key] = move.landed
                pool.receive(move, move.landed, remember=True)
            elif move.source == "lost":
                worth.values[move.key] = pool.find(move.quantity)
            elif move.source in OUTSIDE or move.destination == "supplier":
                assert move.reverses is not None
                origin = move.reverses
                quantity, value = returned[origin.key]
                quantity += move.quantity
                due = (
                    rounded(
                        Fraction(worth.values[origin.key]) * Fraction(quantity) / Fraction(origin.quantity)
                    )
                    - value
                )
                returned[origin.key] = (quantity, value + due)
                worth.values[move.key] = due
                if move.source in OUTSIDE:
                    pool.take_back(move, due)
                else:
                    cost = pool.issue(move, move.quantity)
                    worth.adjustments[move.key, move.key] = (move.posted_at, move.quantity, due, cost)
            else:
                worth.values[move.key] = pool.issue(move, move.quantity)
        worth.quantity = sum((q for q, _ in pool.layers), ZERO) - sum((q for _, q, _ in pool.owed), ZERO)
        worth.value = sum((v for _, v in pool.layers), ZERO) - sum((v for _, _, v in pool.owed), ZERO)
        return worth

    def _method(self, moment: datetime | None) -> str:
        method = "moving_average"
        for since, candidate in self.policy:
            if since is None or (moment is not None and since <= moment):
                method = candidate
        return method


class _NaivePool:
    """Cost layers, and what was used before it came."""

    def __init__(self, method: str, worth: Worth) -> None:
        self.method = method
        self.worth = worth
        self.layers: list[tuple[Decimal, Decimal]] = []
        self.owed: list[tuple[Key, Decimal, Decimal]] = []
        self.last = Fraction(0)

    def change_method(self, method: str) -> None:
        if method != self.method:
            self.method = method
            self._blend(remember=bool(self.layers))

    def _merge(self) -> None:
        if self.method == "moving_average" and self.layers:
            quantity, value = sum((q for q, _ in self.layers), ZERO), sum((v for _, v in self.layers), ZERO)
            self.layers = [(quantity, value)]

    def receive(self, move: Move, value: Decimal, *, remember: bool) -> None:
        quantity = move.quantity
        if remember:
            self.last = Fraction(value) / Fraction(quantity)
        while self.owed and quantity:
            key, owed_quantity, owed_value = self.owed.pop(0)
            part = min(quantity, owed_quantity)
            actual, valued = share(value, part, quantity), share(owed_value, part, owed_quantity)
            self.worth.adjustments[move.key, key] = (move.posted_at, part, valued, actual)
            quantity, value = quantity - part, value - actual
            if part < owed_quantity:
                self.owed.insert(0, (key, owed_quantity - part, owed_value - valued))
        if quantity:
            self.layers.append((quantity, value))
            self._blend(remember=remember)

    def _blend(self, *, remember: bool) -> None:
        """Under the moving average, all layers are one, and its unit cost is the last one known."""
        self._merge()
        if self.method == "moving_average" and remember:
            quantity, value = self.layers[0]
            self.last = Fraction(value) / Fraction(quantity)

    def take_back(self, move: Move, value: Decimal) -> None:
        if self.owed:
            self.receive(move, value, remember=False)
        else:
            self.layers.insert(0, (move.quantity, value))
            self._blend(remember=True)

    def issue(self, move: Move, quantity: Decimal) -> Decimal:
        total = ZERO
        while self.layers and quantity:
            held, value = self.layers.pop(0)
            part = min(quantity, held)
            out = share(value, part, held)
            if part < held:
                self.layers.insert(0, (held - part, value - out))
            quantity, total = quantity - part, total + out
        if quantity:
            value = rounded(self.last * Fraction(quantity))
            self.owed.append((move.key, quantity, value))
            self.worth.provisional.add(move.key)
            total += value
        return total

    def find(self, quantity: Decimal) -> Decimal:
        total = ZERO
        while self.owed and quantity:
            key, owed_quantity, owed_value = self.owed.pop(0)
            part = min(quantity, owed_quantity)
            value = share(owed_value, part, owed_quantity)
            if part < owed_quantity:
                self.owed.insert(0, (key, owed_quantity - part, owed_value - value))
            quantity, total = quantity - part, total + value
        if quantity:
            cost = self.last
            if self.method == "moving_average" and self.layers:
                cost = Fraction(self.layers[0][1]) / Fraction(self.layers[0][0])
            value = rounded(cost * Fraction(quantity))
            self.layers.append((quantity, value))
            self._blend(remember=True)
            total += value
        return total

    def value_count(self, parts: list[Move]) -> None:
        """Value the movements of a count line as the one they sum to, shared by quantity."""
        signs = {m.key: 1 if m.source == "lost" else -1 for m in parts}
        net = sum((m.quantity * signs[m.key] for m in parts), ZERO)
        first = parts[0]
        value = self.find(net) if net > 0 else self.issue(first, -net) if net else ZERO
        left = value if net > 0 else -value
        for move in parts[1:]:
            share_ = share(value, move.quantity, abs(net)) if net else ZERO
            self.worth.values[move.key] = share_
            left -= share_ * signs[move.key]
        self.worth.values[first.key] = left * signs[first.key]
        if first.key in self.worth.provisional:
            self.worth.provisional |= signs.keys()


def rounded(exact: Fraction) -> Decimal:
    """Return the nearest ten-thousandth, half to even."""
    return Decimal(round(exact * 10_000)) / 10_000


def share(value: Decimal, part: Decimal, whole: Decimal) -> Decimal:
    """Return what `part` of `whole` is worth; the whole takes everything."""
    return value if part == whole else rounded(Fraction(value) * Fraction(part) / Fraction(whole))


def _landed(document: d.Receipt) -> list[Decimal]:
    """Return the landed cost of each line: the largest remainders of a cent go up."""
    charges = Fraction(document.freight + document.duty - document.discount)
    costs = [Fraction(line.cost) for line in document.lines]
    weights = [Fraction(line.quantity) for line in document.lines]
    if any(costs) and (document.share_by == "value" or charges < 0):
        weights = costs
    step = Fraction(1, 100)
    if charges % step or (charges < 0 and any(cost % step for cost in costs)):
        step = Fraction(1, 10_000)
    exact = [abs(charges) * weight / sum(weights) / step for weight in weights]
    steps = [int(share) for share in exact]
    fractions = sorted(range(len(exact)), key=lambda i: (steps[i] - exact[i], i))
    for i in fractions[: int(abs(charges) / step) - sum(steps)]:
        steps[i] += 1
    sign = -1 if charges < 0 else 1
    return [rounded(cost + sign * count * step) for cost, count in zip(costs, steps, strict=True)]
