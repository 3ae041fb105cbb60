"""Whatever is changed behind the door is found, and named by each check that it concerns."""

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.db import connection

from inventory.db import append_only
from inventory.documents import digest
from inventory.integrity.stock_checks import Disagreement
from inventory.models import (
    Consumable,
    CostAdjustment,
    CostCheckpoint,
    CostPool,
    CountLine,
    Document,
    Holding,
    Lot,
    Movement,
    MovementValue,
    Place,
    Supplier,
)
from tests.inventory.integrity.test_stock_checks import all_disagreements, keep_books
from tests.inventory.small_shop import (
    day,
    open_shop,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_shop()


def tamper_movement_quantity() -> None:
    Movement.objects.filter(document__client_id="J-2").update(quantity=Decimal(2))


def tamper_movement_place() -> None:
    Movement.objects.filter(document__client_id="T-1").update(destination=Place.objects.get(code="van-b"))


def tamper_movement_moment() -> None:
    Movement.objects.filter(document__client_id="J-2").update(occurred_at=day(1), posted_at=day(1))


def tamper_holding() -> None:
    Holding.objects.filter(place__code="van-a", consumable__code="disc-p400").update(quantity=Decimal(5))


def tamper_value() -> None:
    MovementValue.objects.filter(movement__document__client_id="J-2").update(value=Decimal("9.9999"))


def tamper_provisional() -> None:
    MovementValue.objects.filter(movement__document__client_id="J-1").update(provisional=False)


def lose_value() -> None:
    MovementValue.objects.filter(movement__document__client_id="S-1").delete()


def value_transfer() -> None:
    movement = Movement.objects.get(document__client_id="T-1")
    MovementValue.objects.create(movement=movement, value=Decimal(1))


def tamper_adjustment() -> None:
    adjustment = CostAdjustment.objects.get()
    adjustment.actual += Decimal("0.0001")
    adjustment.save()


def lose_adjustment() -> None:
    CostAdjustment.objects.all().delete()


def tamper_pool() -> None:
    pool = CostPool.objects.get(consumable__code="compound")
    assert pool.state is not None
    pool.state["layers"] = [["5.5", "3.5"]]
    pool.save()


def break_pool() -> None:
    CostPool.objects.filter(consumable__code="compound").update(state={"method": "by guess"})


def add_checkpoint() -> None:
    pool = CostPool.objects.get(consumable__code="compound")
    CostCheckpoint.objects.create(consumable=pool.consumable, posted_at=day(1), state=pool.state)


def tamper_count_line() -> None:
    CountLine.objects.filter(document__client_id="C-1").update(quantity=Decimal(3))


def tamper_count_movement() -> None:
    Movement.objects.filter(document__client_id="C-1", part=0).update(quantity=Decimal(9))


def tamper_landed_value() -> None:
    """Shift a cent from one line of a receipt to another, so that the receipt still adds up."""
    discs, compound = Movement.objects.filter(document__client_id="R-1").order_by("line")
    assert (discs.landed_value, compound.landed_value) == (Decimal("10.75"), Decimal("3.58"))
    Movement.objects.filter(pk=discs.pk).update(landed_value=Decimal("10.74"))
    Movement.objects.filter(pk=compound.pk).update(landed_value=Decimal("3.59"))


def tamper_freight() -> None:
    Movement.objects.filter(document__client_id="R-2").update(landed_value=Decimal(24))


def tamper_content() -> None:
    document = Document.objects.get(client_id="T-1")
    document.content["lines"][0]["quantity"] = "4"
    document.save()


def tamper_document_moment() -> None:
    Document.objects.filter(client_id="S-1").update(occurred_at=day(1))


def tamper_order() -> None:
    Document.objects.filter(client_id="S-1").update(order="S-9")


def tamper_return() -> None:
    Movement.objects.filter(document__client_id="B-1").update(quantity=Decimal(20))


def tamper_correction() -> None:
    Movement.objects.filter(document__client_id="X-1").update(quantity=Decimal(1))


def tamper_supplier() -> None:
    other = Supplier.objects.create(code="other")
    Document.objects.filter(client_id="R-1").update(supplier=other)


def tamper_corrected() -> None:
    Document.objects.filter(client_id="X-1").update(corrects=Document.objects.get(client_id="R-2"))


def tamper_ranks() -> None:
    Movement.objects.filter(document__client_id__in=["T-1", "X-1", "X-2"]).update(rank=6)


def tamper_parts() -> None:
    Movement.objects.filter(document__client_id="T-1").update(part=1)
    Movement.objects.filter(document__client_id="C-1", part=0).update(part=7)
    Movement.objects.filter(document__client_id="B-1").update(line=2)


def tamper_counted_at() -> None:
    CountLine.objects.filter(document__client_id="C-1").update(counted_at=day(5))


def lose_lot() -> None:
    Lot.objects.filter(document__client_id="R-1").delete()


def tamper_lot_code() -> None:
    Lot.objects.filter(document__client_id="R-1").update(code="L-9")


def tamper_expiry() -> None:
    Lot.objects.filter(document__client_id="R-1").update(expires_on=day(200).date())


def add_lot() -> None:
    transfer_ = Document.objects.get(client_id="T-1")
    Lot.objects.create(
        document=transfer_, line=1, consumable=Consumable.objects.get(code="disc-p400"), code="L"
    )


def land_transfer() -> None:
    Movement.objects.filter(document__client_id="T-1").update(landed_value=Decimal(1))


def send_other_content() -> None:
    """Change what a document says and its digest too, to something no program of ours sends."""
    content = {"kind": "transfer", "id": "T-1"}
    Document.objects.filter(client_id="T-1").update(content=content, digest=digest(content))


SETTLEMENT = "receipt R-2 line 1.0, disc-p400, of close J-1 line 1.0, disc-p400"


@pytest.mark.parametrize(
    ("tamper", "named"),
    [
        (
            tamper_movement_quantity,
            {
                ("holding", "disc-p400 at depot"),
                ("movements of count line", "count C-2 line 1, disc-p400 at depot"),
                ("movement", "close J-2"),
                ("value", "close J-2 line 1.0, disc-p400"),
                ("cost pool", "disc-p400"),
            },
        ),
        (
            tamper_movement_place,
            {
                ("holding", "disc-p400 at van-a"),
                ("holding", "disc-p400 at van-b"),
                ("movement", "transfer T-1"),
            },
        ),
        (
            tamper_movement_moment,
            {
                ("occurred_at of movement", "close J-2 line 1.0"),
                ("posted_at of movement", "close J-2 line 1.0"),
                ("movements of count line", "count C-1 line 1, disc-p400 at depot"),
                ("movements of count line", "count C-2 line 1, disc-p400 at depot"),
            },
        ),
        (tamper_holding, {("holding", "disc-p400 at van-a"), ("sum over all places", "disc-p400")}),
        (tamper_value, {("value", "close J-2 line 1.0, disc-p400"), ("value received", "disc-p400")}),
        (tamper_provisional, {("value", "close J-1 line 1.0, disc-p400")}),
        (lose_value, {("value", "scrap S-1 line 1.0, compound"), ("value received", "compound")}),
        (value_transfer, {("value", "transfer T-1 line 1.0, disc-p400")}),
        (tamper_adjustment, {("cost adjustment", SETTLEMENT), ("value received", "disc-p400")}),
        (lose_adjustment, {("cost adjustment", SETTLEMENT), ("value received", "disc-p400")}),
        (tamper_pool, {("cost pool", "compound"), ("value received", "compound")}),
        (break_pool, {("cost pool", "compound"), ("value received", "compound")}),
        (add_checkpoint, {("checkpoint", f"compound at {day(1)}")}),
        (
            tamper_count_line,
            {
                ("movements of count line", "count C-1 line 1, disc-p400 at depot"),
                ("count line", "count C-1"),
            },
        ),
        (
            tamper_count_movement,
            {
                ("movements of count line", "count C-1 line 1, disc-p400 at depot"),
                ("holding", "disc-p400 at depot"),
            },
        ),
        (
            tamper_landed_value,
            {("landed value", "receipt R-1 line 1"), ("landed value", "receipt R-1 line 2")},
        ),
        (
            tamper_freight,
            {("landed value of receipt", "receipt R-2"), ("landed value", "receipt R-2 line 1")},
        ),
        (tamper_content, {("digest of content", "transfer T-1")}),
        (
            tamper_document_moment,
            {("occurred_at of document", "scrap S-1"), ("occurred_at of movement", "scrap S-1 line 1.0")},
        ),
        (tamper_order, {("order of document", "scrap S-1")}),
        (
            tamper_return,
            {
                ("returned", "return B-1"),
                ("returned quantity", "close J-1 line 1.0"),
                ("movements", "disc-p400"),
            },
        ),
        (tamper_supplier, {("supplier of document", "receipt R-1")}),
        (tamper_corrected, {("corrects of document", "correction X-1"), ("movement", "correction X-1")}),
        (
            tamper_ranks,
            {
                ("rank of movement", "transfer T-1 line 1.0"),
                ("rank of movement", "correction X-1 line 1.0"),
                ("rank of movement", "correction X-2 line 1.0"),
            },
        ),
        (
            tamper_parts,
            {
                ("number of movement", "transfer T-1"),
                ("number of movement", "count C-1"),
                ("number of movement", "return B-1"),
            },
        ),
        (tamper_counted_at, {("counted_at of count line", "count C-1 line 1")}),
        (lose_lot, {("lot", "receipt R-1 line 2")}),
        (tamper_lot_code, {("lot", "receipt R-1 line 2")}),
        (tamper_expiry, {("lot", "receipt R-1 line 2")}),
        (add_lot, {("lot", "transfer T-1 line 1")}),
        (land_transfer, {("landed value", "transfer T-1 line 1")}),
        (send_other_content, {("content of document", "transfer T-1")}),
        (tamper_correction, {("movement", "correction X-1"), ("holding", "pad at depot")}),
    ],
)
def test_tampering_is_found_and_named(tamper: Callable[[], None], named: set[tuple[str, str]]) -> None:
    keep_books()
    append_only.remove(connection)
    tamper()
    assert named <= {(found.what, found.where) for found in all_disagreements()}


def test_a_disagreement_shows_both_figures() -> None:
    keep_books()
    tamper_holding()
    assert Disagreement("holding", "disc-p400 at van-a", Decimal(5), Decimal(-7)) in all_disagreements()
