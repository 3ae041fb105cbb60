"""A small shop for tests of the ledger's readers, and short ways to post to it."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from django.db import transaction
from hypothesis import strategies as st

from inventory import ledger
from inventory.documents import (
    Close,
    Correction,
    Count,
    CountedLine,
    Receipt,
    ReceiptLine,
    Return,
    Scrap,
    StockLine,
    Transfer,
)
from inventory.models import Consumable, ConsumableKind, Place, PlaceKind, Supplier

NOW = datetime(2026, 7, 1, 12, tzinfo=UTC)
FIRST_DAY = datetime(2026, 1, 1, 8, tzinfo=UTC)


def day(number: int) -> datetime:
    """Return 08:00 UTC of a day, counted from the first one."""
    return FIRST_DAY + timedelta(days=number)


def open_shop() -> None:
    """Make a depot, two vans, a supplier, and three consumables."""
    Place.objects.create(code="depot", kind=PlaceKind.DEPOT)
    for code in ("van-a", "van-b"):
        Place.objects.create(code=code, kind=PlaceKind.VAN)
    Supplier.objects.create(code="maker")
    Consumable.objects.create(
        code="disc-p400", name="Disc", kind=ConsumableKind.COUNTED, stock_unit="each", grade="P400"
    )
    Consumable.objects.create(
        code="compound", name="Compound", kind=ConsumableKind.MEASURED, stock_unit="ml", shelf_life_days=90
    )
    Consumable.objects.create(
        code="pad", name="Pad", kind=ConsumableKind.WORN, stock_unit="each", life_minutes=Decimal(300)
    )


@contextmanager
def undone_afterwards() -> Iterator[None]:
    """Take back what the block wrote, so that each example of a property starts from the same shop."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def _line(consumable: str, quantity: str) -> StockLine:
    return StockLine(consumable, Decimal(quantity))


def receive(
    id_: str,
    on: int,
    *lines: tuple[str, str, str],
    place: str = "depot",
    freight: str = "0",
    expires_on: str = "",
) -> None:
    """Receive (consumable, quantity, cost of the line) lines."""
    made = tuple(
        ReceiptLine(consumable, Decimal(quantity), Decimal(cost), expires_on=expires_on)
        for consumable, quantity, cost in lines
    )
    ledger.post(Receipt(id_, day(on), "maker", place, made, freight=Decimal(freight)), now=NOW)


def transfer(id_: str, on: int, source: str, destination: str, *line: str) -> None:
    """Carry one (consumable, quantity) line."""
    ledger.post(Transfer(id_, day(on), source, destination, (_line(*line),)), now=NOW)


def use(id_: str, on: int, place: str, consumable: str, quantity: str) -> None:
    """Use one consumable on a job."""
    ledger.post(Close(id_, day(on), place, (_line(consumable, quantity),)), now=NOW)


def give_back(id_: str, on: int, place: str, close: str, *line: str) -> None:
    """Bring back an unused (consumable, quantity) line of a close."""
    ledger.post(Return(id_, day(on), place, "close", close, (_line(*line),)), now=NOW)


def scrap(id_: str, on: int, place: str, consumable: str, quantity: str) -> None:
    """Throw stock away."""
    ledger.post(Scrap(id_, day(on), place, "spoilt", (_line(consumable, quantity),)), now=NOW)


def count(id_: str, on: int, place: str, consumable: str, quantity: str) -> None:
    """Count one consumable at one place."""
    ledger.post(Count(id_, day(on), (CountedLine(place, consumable, Decimal(quantity)),)), now=NOW)


def correct(id_: str, kind: str, corrected: str) -> None:
    """Undo a document."""
    ledger.post(Correction(id_, NOW, kind, corrected, "entered by mistake"), now=NOW)


ACTIONS = st.lists(
    st.tuples(
        st.sampled_from(["receive", "transfer", "use", "scrap", "count", "return", "correct"]),
        st.integers(0, 20),
        st.sampled_from(["depot", "van-a", "van-b"]),
        st.sampled_from(["disc-p400", "compound"]),
        st.integers(1, 12),
    ),
    max_size=14,
)


def play(actions: list[tuple[str, int, str, str, int]], prefix: str = "D") -> None:
    """Post (what, day, place, consumable, quantity) as drawn.

    Returns and corrections undo the latest use or document that is left; one that is refused posts nothing.
    """
    used: list[tuple[str, int, str, int]] = []
    posted: list[tuple[str, str]] = []
    for number, (what, on, place, consumable, quantity) in enumerate(actions):
        id_ = f"{prefix}-{number}"
        line = (consumable, str(quantity))
        if what == "receive":
            receive(id_, on, (*line, str(quantity * (on + 1))), place=place)
            posted.append(("receipt", id_))
        elif what == "transfer":
            transfer(id_, on, place, "depot" if place == "van-b" else "van-b", *line)
            posted.append(("transfer", id_))
        elif what == "scrap":
            scrap(id_, on, place, *line)
            posted.append(("scrap", id_))
        elif what == "count":
            count(id_, on, place, *line)
            posted.append(("count", id_))
        elif what == "use":
            use(id_, on, place, *line)
            used.append((id_, on, consumable, quantity))
            posted.append(("close", id_))
        elif what == "correct" and posted:
            with suppress(ledger.Refused):
                correct(id_, *posted.pop())
        elif what == "return" and used:
            close, closed_on, of, most = used.pop()
            with suppress(ledger.Refused):
                give_back(id_, closed_on + 1, place, close, of, str(min(quantity, most)))
                posted.append(("return", id_))
