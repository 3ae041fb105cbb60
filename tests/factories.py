"""A small shop to test the ledger in, and short ways to write its documents."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from inventory import documents
from inventory.models import (
    Consumable,
    ConsumableKind,
    CostAdjustment,
    CostPolicy,
    CostPool,
    Holding,
    MovementValue,
    Place,
    PlaceKind,
    Supplier,
)
from inventory.valuation.cost_layers import CostFormula, Pool

DISC, COMPOUND, PAD = "DISC-P400", "COMPOUND", "PAD-SOFT"
DEPOT, VAN, OTHER_VAN = "DEPOT", "VAN-1", "VAN-2"
SUPPLIER = "SUP-1"
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
NOW = START + timedelta(days=60)

Amount = str | int | Decimal


def at(days: float) -> datetime:
    """Return a moment so many days after the shop's first one."""
    return START + timedelta(days=days)


def make_shop(method: CostFormula = CostFormula.MOVING_AVERAGE) -> None:
    """Make a depot, two vans, a supplier and a consumable of each kind, costed by `method`."""
    Place.objects.create(code=DEPOT, kind=PlaceKind.DEPOT)
    Place.objects.create(code=VAN, kind=PlaceKind.VAN)
    Place.objects.create(code=OTHER_VAN, kind=PlaceKind.VAN)
    Supplier.objects.create(code=SUPPLIER)
    Consumable.objects.create(
        code=DISC,
        name="Disc",
        kind=ConsumableKind.COUNTED,
        stock_unit="each",
        grade="P400",
        life_minutes=Decimal(10),
    )
    Consumable.objects.create(
        code=COMPOUND,
        name="Polishing compound",
        kind=ConsumableKind.MEASURED,
        stock_unit="ml",
        shelf_life_days=365,
    )
    Consumable.objects.create(
        code=PAD,
        name="Soft pad",
        kind=ConsumableKind.WORN,
        stock_unit="each",
        life_minutes=Decimal(120),
    )
    CostPolicy.objects.create(method=method)


def receipt(id_: str, day: float, *lines: tuple[str, Amount, Amount], **fields: Any) -> documents.Receipt:
    """Return a receipt of (consumable, quantity, cost of the whole line), to the depot unless told."""
    return documents.Receipt(
        **{
            "id": id_,
            "occurred_at": at(day),
            "supplier": SUPPLIER,
            "place": DEPOT,
            "lines": tuple(documents.ReceiptLine(c, Decimal(q), Decimal(cost)) for c, q, cost in lines),
            **fields,
        }
    )


def transfer(
    id_: str, day: float, source: str, destination: str, *lines: tuple[str, Amount]
) -> documents.Transfer:
    """Return a transfer of (consumable, quantity)."""
    return documents.Transfer(id_, at(day), source, destination, _lines(lines))


def close(id_: str, day: float, *lines: tuple[str, Amount], place: str = DEPOT) -> documents.Close:
    """Return a close of (consumable, quantity)."""
    return documents.Close(id_, at(day), place, _lines(lines))


def use(id_: str, day: float, *lines: tuple[str, Amount], place: str = DEPOT) -> documents.Use:
    """Return a further use of (consumable, quantity)."""
    return documents.Use(id_, at(day), place, _lines(lines))


def give_back(
    id_: str, day: float, returns_id: str, *lines: tuple[str, Amount], kind: str = "close", place: str = DEPOT
) -> documents.Return:
    """Return a return of (consumable, quantity) from a close or use."""
    return documents.Return(id_, at(day), place, kind, returns_id, _lines(lines))


def count(id_: str, day: float, *lines: tuple[str, Amount], place: str = DEPOT) -> documents.Count:
    """Return a count of one place that found (consumable, quantity)."""
    return documents.Count(id_, at(day), tuple(documents.CountedLine(place, c, Decimal(q)) for c, q in lines))


def scrap(id_: str, day: float, *lines: tuple[str, Amount], place: str = DEPOT) -> documents.Scrap:
    """Return a scrap of (consumable, quantity)."""
    return documents.Scrap(id_, at(day), place, "dried out", _lines(lines))


def correction(id_: str, kind: str, corrects_id: str) -> documents.Correction:
    """Return the correction of a document."""
    return documents.Correction(id_, NOW, kind, corrects_id, "entered by mistake")


def _lines(lines: Iterable[tuple[str, Amount]]) -> tuple[documents.StockLine, ...]:
    return tuple(documents.StockLine(consumable, Decimal(quantity)) for consumable, quantity in lines)


def holding(consumable: str, place: str = DEPOT) -> Decimal:
    """Return what the book says a place holds."""
    row = Holding.objects.filter(place__code=place, consumable__code=consumable).first()
    return row.quantity if row else Decimal(0)


def value_of(kind: str, id_: str) -> Decimal:
    """Return the value that the movements of a document carry, in total."""
    values = MovementValue.objects.filter(movement__document__kind=kind, movement__document__client_id=id_)
    return sum(values.values_list("value", flat=True), Decimal(0))


def adjustments_by(kind: str, id_: str) -> Decimal:
    """Return the cost adjustments that a document settled, in total."""
    rows = CostAdjustment.objects.filter(movement__document__kind=kind, movement__document__client_id=id_)
    return sum((row.amount for row in rows), Decimal(0))


def pool_of(consumable: str) -> Pool:
    """Return the stored pool of a consumable."""
    state = CostPool.objects.get(consumable__code=consumable).state
    assert state is not None
    return Pool.from_json(state)
