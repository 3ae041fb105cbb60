"""The ledger once more, naively: lists of plain records, everything worked out again from the first one.

Written from the rules of the ledger only, to be compared with it; slow and without shortcuts.
"""

import copy
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from inventory import documents as d
from tests.inventory.naive_movements import ZERO, IdOrder, Move, id_order
from tests.inventory.naive_valuation import Policy, Worth, rounded, worth_of

RANK = {"receipt": 0, "transfer": 2, "close": 3, "use": 3, "return": 4, "scrap": 5, "count": 6}
RANK_INTO_STOCK, RANK_OUT_OF_STOCK = 1, 5  # of corrections
Found = dict[tuple[str, str], Decimal]


class WouldRefuse(Exception):
    """The document cannot be posted, for what it says or for what it undoes."""


class WouldConflict(WouldRefuse):
    """Another document has the id."""


class NaiveLedger:
    """Takes documents in as the ledger should."""

    def __init__(self, policy: Policy) -> None:
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
        lines: Sequence[d.StockLine | d.ReceiptLine] = document.lines
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
                RANK_OUT_OF_STOCK if target[0] == "receipt" else RANK_INTO_STOCK,
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
        """Value all that moved of a consumable from the first movement on."""
        return worth_of([move for move in self.moves if move.consumable == consumable], self.policy)


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
