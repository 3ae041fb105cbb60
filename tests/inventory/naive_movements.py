"""A movement as the naive ledger keeps it, and the order in which movements count."""

import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

OUTSIDE = ("supplier", "job", "lost", "scrapped")
ZERO = Decimal(0)

Key = tuple[str, str, int, int]  # kind and id of the document, line, part
IdOrder = tuple[list[tuple[bool, int, str]], str]


def id_order(id_: str) -> IdOrder:
    """Sort R-9 before R-10, and R-09 before R-9."""
    tokens = re.findall(r"\d+|\D+", id_)
    return [(not t.isdigit(), int(t) if t.isdigit() else 0, "" if t.isdigit() else t) for t in tokens], id_


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
