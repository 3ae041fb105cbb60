"""Deliveries of a purchase: received, linked, corrected, and what differs from the order."""

import pytest

from forecasting.models import Purchase, PurchaseEvent, PurchaseReceipt, SupplierTerms
from forecasting.purchasing import approval, dispatch, goods_receipt
from forecasting.purchasing.approval import OrderChanges
from forecasting.purchasing.inputs import lead_time_of
from forecasting.workflow import StepConflict, StepRefused
from inventory import ledger
from inventory.documents import Correction
from inventory.ledger import Refused
from inventory.models import Document, Supplier
from tests.factories import pool_of
from tests.forecasting.purchase_shop import (
    DISC,
    NOW,
    PAD,
    a_draft,
    depot_stock,
    events,
    line,
    sell,
)
from tests.forecasting.purchasing.test_order_steps import LATER, SUE, D, brought, receive, sent


@pytest.mark.django_db
def test_the_whole_way_with_balances_and_values() -> None:
    purchase = sent()
    assert (depot_stock(), pool_of(DISC).value) == (D(150), D(375))
    # Two boxes with 4.00 freight, each 2.40 a disc by the order.
    first = receive(purchase, brought("R-7", (DISC, 50, "120"), freight=D(4)))
    assert first.flags == ("disc-p400: 50 each came of 75; 25 are missing.",)
    assert (first.order.status, line(purchase).received_units) == ("partly received", 50)
    assert (depot_stock(), pool_of(DISC).value) == (D(200), D(499))
    again = receive(purchase, brought("R-7", (DISC, 50, "120"), freight=D(4)))
    assert (again.changed, depot_stock()) == (False, D(200))
    second = receive(purchase, brought("R-8", (DISC, 25, "60"), days=11))
    assert second.flags == ()
    assert (second.order.status, depot_stock(), pool_of(DISC).value) == ("received", D(225), D(559))
    days = list(PurchaseReceipt.objects.order_by("pk").values_list("lead_days", flat=True))
    assert days == [9, 11]
    # (3 x 7 + 9 + 11) / 5
    lead_time = lead_time_of(SupplierTerms.objects.get(supplier__code="maker"))
    assert lead_time.mean_days == pytest.approx(8.2)
    assert lead_time.seen == 2
    assert events(purchase) == ["drafted", "approved", "sent", "received", "received"]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("came", "said"),
    [
        ([(DISC, 100, "240")], ["disc-p400: 100 each came, 25 more than were to come."]),
        (
            [(DISC, 75, "195")],
            ["disc-p400: 195.00 was charged, 15.00 more than the 180.00 of the order (8.34%)."],
        ),
        ([(DISC, 75, "180.005")], []),
        ([(DISC, 75, "180"), (PAD, 2, "80")], ["pad: 2 came and none was ordered."]),
        ([(PAD, 2, "80")], ["disc-p400: none of 75 each came.", "pad: 2 came and none was ordered."]),
        ([(DISC, 40, "96"), (DISC, 35, "84")], []),
    ],
)
def test_what_differs_is_said_and_taken_all_the_same(
    came: list[tuple[str, int, str]], said: list[str]
) -> None:
    purchase = sent()
    assert (
        goods_receipt.preview(list(purchase.lines.select_related("consumable")), brought("R-7", *came))
        == said
    )
    done = receive(purchase, brought("R-7", *came))
    assert list(done.flags) == said
    assert PurchaseReceipt.objects.get().differences == said
    assert depot_stock() == 150 + sum(quantity for code, quantity, _ in came if code == DISC)


@pytest.mark.django_db
def test_two_packs_of_one_consumable_are_filled_in_turn() -> None:
    purchase = a_draft()
    case = sell(Supplier.objects.get(code="maker"), DISC, "case", "100", "230")
    approval.approve(purchase.pk, OrderChanges({}, added=[(case.pk, 1)]), **SUE)
    dispatch.send(purchase.pk, **SUE)
    receive(purchase, brought("R-7", (DISC, 90, "220")))
    received = {row.pack.name: row.received_units for row in purchase.lines.select_related("pack")}
    assert received == {"box": 75, "case": 15}
    done = receive(purchase, brought("R-8", (DISC, 95, "220")))
    assert done.order.status == "received"
    received = {row.pack.name: row.received_units for row in purchase.lines.select_related("pack")}
    assert received == {"box": 75, "case": 110}


@pytest.mark.django_db
def test_a_rest_that_is_not_coming_is_no_longer_on_order_and_may_be_expected_again() -> None:
    purchase = sent()
    with pytest.raises(StepConflict, match="of which something came"):
        goods_receipt.call_rest_off(purchase.pk, **SUE)
    done = receive(purchase, brought("R-7", (DISC, 50, "120")), rest_comes=False)
    assert done.order.status == "received"
    assert events(purchase)[-2:] == ["received", "rest is not coming"]
    assert goods_receipt.expect_rest(purchase.pk, **SUE).order.status == "partly received"
    assert goods_receipt.call_rest_off(purchase.pk, **SUE).order.status == "received"
    assert not goods_receipt.call_rest_off(purchase.pk, **SUE).changed
    receive(purchase, brought("R-8", (DISC, 25, "60")))
    with pytest.raises(StepConflict, match="nothing of it is missing"):
        goods_receipt.expect_rest(purchase.pk, **SUE)


@pytest.mark.django_db
def test_a_receipt_in_the_ledger_is_added_by_hand_and_taken_off() -> None:
    purchase = sent()
    ledger.post(brought("R-7", (DISC, 75, "180")), now=LATER)
    assert goods_receipt.link(purchase.pk, "R-7", **SUE).order.status == "received"
    assert not goods_receipt.link(purchase.pk, "R-7", **SUE).changed
    assert depot_stock() == 225
    done = goods_receipt.unlink(purchase.pk, "R-7", **SUE)
    assert (done.order.status, line(purchase).received_units) == ("sent", 0)
    assert not goods_receipt.unlink(purchase.pk, "R-7", **SUE).changed
    with pytest.raises(StepRefused, match="is not a receipt from maker"):
        goods_receipt.link(purchase.pk, "R-99", **SUE)


@pytest.mark.django_db
def test_a_correction_of_a_receipt_wherever_it_is_posted_counts_in_its_order() -> None:
    purchase = sent()
    receive(purchase, brought("R-7", (DISC, 75, "180")))
    ledger.post(Correction("K-1", LATER, "receipt", "R-7", "came for another shop"), by="olga", now=LATER)
    purchase.refresh_from_db()
    assert (purchase.status, line(purchase).received_units, depot_stock()) == ("sent", D(0), D(150))
    assert PurchaseReceipt.objects.get().taken_back
    assert events(purchase)[-1] == "receipt undone"
    assert PurchaseEvent.objects.latest("pk").by == "olga"
    assert lead_time_of(SupplierTerms.objects.get(supplier__code="maker")).seen == 0


@pytest.mark.django_db
def test_what_cannot_belong_to_an_order_is_refused_and_nothing_is_posted() -> None:
    purchase = a_draft()
    approval.approve(purchase.pk, **SUE)
    with pytest.raises(StepConflict, match="say first that the order was sent"):
        receive(purchase, brought("R-7", (DISC, 75, "180")))
    dispatch.send(purchase.pk, **SUE)
    with pytest.raises(StepRefused, match="did not get this order"):
        receive(purchase, brought("R-7", (DISC, 75, "180"), supplier="trader"))
    with pytest.raises(StepRefused, match="before the order was sent"):
        receive(purchase, brought("R-7", (DISC, 75, "180"), days=-2))
    with pytest.raises(Refused, match="quantity"):
        receive(purchase, brought("R-7", (DISC, -5, "180")))
    assert not Document.objects.filter(client_id="R-7").exists()
    receive(purchase, brought("R-7", (DISC, 75, "180")))
    other = Purchase.objects.create(
        number="PO-2026-0099",
        supplier=purchase.supplier,
        depot=purchase.depot,
        inputs={},
        made_at=NOW,
        sent_at=NOW,
        status="sent",
    )
    with pytest.raises(StepConflict, match="belongs to PO-2026-0001 already"):
        goods_receipt.link(other.pk, "R-7", **SUE)
