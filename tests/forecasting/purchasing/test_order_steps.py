"""The life of a purchase: changed, approved, sent, received, called off; each once, undone if possible."""

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from email.message import EmailMessage
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader

from forecasting.models import Letter, Purchase, PurchaseEvent, PurchaseReceipt, SupplierTerms
from forecasting.outbox.messages import attachments_of, parsed
from forecasting.purchasing import approval, dispatch, goods_receipt
from forecasting.purchasing.approval import OrderChanges
from forecasting.purchasing.inputs import lead_time_of
from forecasting.purchasing.purchase_order_pdf import order_csv
from forecasting.workflow import Done, StepConflict, StepRefused
from inventory import ledger
from inventory.documents import Correction, Receipt, ReceiptLine
from inventory.ledger import Refused
from inventory.models import Consumable, Document, Pack, Supplier
from shop.models import Shop
from tests.factories import pool_of
from tests.forecasting.purchase_shop import (
    COMPOUND,
    DAY,
    DISC,
    NOW,
    PAD,
    WEEK,
    a_draft,
    depot_stock,
    draft,
    events,
    forecast,
    line,
    packs,
    sell,
)
from tests.servers import PROJECT, run_manage

D = Decimal
SUE: dict[str, Any] = {"by": "sue", "now": NOW}
LATER = NOW + timedelta(days=11)


def brought(id_: str, *lines: tuple[str, int, str], days: float = 9, **fields: Any) -> Receipt:
    """Return a delivery of (consumable, stock units, cost of the line), some days after the order."""
    made = tuple(ReceiptLine(code, D(quantity), D(cost)) for code, quantity, cost in lines)
    return Receipt(
        **{
            "id": id_,
            "occurred_at": NOW + timedelta(days=days),
            "supplier": "maker",
            "place": "depot",
            "lines": made,
            **fields,
        }
    )


def sent() -> Purchase:
    """Return an order of 3 boxes of discs, 180.00, with the maker."""
    purchase = a_draft()
    approval.approve(purchase.pk, **SUE)
    return dispatch.send(purchase.pk, **SUE).order


def receive(purchase: Purchase, receipt: Receipt, **more: Any) -> Done[Purchase]:
    """Receive a delivery."""
    return goods_receipt.receive(purchase.pk, receipt, by="sue", now=LATER, **more)


@pytest.mark.django_db
def test_a_draft_is_changed_and_the_changes_are_undone() -> None:
    purchase = a_draft()
    bottle = Pack.objects.get(name="bottle")
    changes = OrderChanges({line(purchase).pk: 0}, added=[(bottle.pk, 4)], note="Ring the bell")
    assert approval.change(purchase.pk, changes, **SUE).changed
    assert packs(purchase) == {DISC: 0, COMPOUND: 4}
    assert line(purchase, COMPOUND).cost == 120
    again = OrderChanges({line(purchase).pk: 0}, note="Ring the bell")
    assert not approval.change(purchase.pk, again, **SUE).changed
    assert approval.undo_changes(purchase.pk, **SUE).changed
    assert packs(purchase) == {DISC: 3}
    assert not approval.undo_changes(purchase.pk, **SUE).changed
    assert events(purchase) == ["drafted", "changed", "changes undone"]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (lambda p: OrderChanges({line(p).pk: -1}), "-1 is negative; give 0 to strike the line out"),
        (lambda p: OrderChanges({0: 1}), "is not on this purchase"),
        (lambda p: OrderChanges({}, added=[(Pack.objects.get(name="box").pk, 1)]), "on the purchase already"),
        (lambda p: OrderChanges({}, added=[(Pack.objects.get(name="each").pk, 1)]), "is not sold by maker"),
        (lambda p: OrderChanges({}, added=[(Pack.objects.get(name="bottle").pk, 0)]), "is 0; leave it out"),
        (lambda p: OrderChanges({}, note="x" * 501), "longer than 500"),
        (lambda p: OrderChanges({line(p).pk: 1_000_000}), "above 100,000 packs"),
    ],
)
def test_changes_that_cannot_be_are_refused_whole(
    changes: Callable[[Purchase], OrderChanges], said: str
) -> None:
    purchase = a_draft()
    with pytest.raises(StepRefused, match=said):
        approval.change(purchase.pk, changes(purchase), **SUE)
    assert packs(purchase) == {DISC: 3}
    assert events(purchase) == ["drafted"]


@pytest.mark.django_db
def test_a_pack_without_a_price_cannot_be_added() -> None:
    purchase = a_draft()
    bag = Pack.objects.create(
        supplier=Supplier.objects.get(code="maker"),
        consumable=Consumable.objects.get(code=PAD),
        name="bag",
        stock_units=D(5),
    )
    with pytest.raises(StepRefused, match="has no price"):
        approval.change(purchase.pk, OrderChanges({}, added=[(bag.pk, 1)]), **SUE)


@pytest.mark.django_db
def test_an_approval_counts_once_and_is_taken_back() -> None:
    purchase = a_draft()
    five = OrderChanges({line(purchase).pk: 5})
    assert approval.approve(purchase.pk, five, **SUE).changed
    assert not approval.approve(purchase.pk, five, **SUE).changed
    assert not approval.approve(purchase.pk, **SUE).changed
    with pytest.raises(StepConflict, match="approved by sue"):
        approval.approve(purchase.pk, OrderChanges({line(purchase).pk: 6}), **SUE)
    assert approval.take_approval_back(purchase.pk, **SUE).changed
    assert packs(purchase) == {DISC: 5}
    assert not approval.take_approval_back(purchase.pk, **SUE).changed
    assert events(purchase) == ["drafted", "approved", "approval taken back"]


@pytest.mark.django_db
def test_an_order_of_nothing_is_not_approved_and_a_doubtful_one_is_flagged() -> None:
    purchase = a_draft()
    with pytest.raises(StepRefused, match="all 0"):
        approval.approve(purchase.pk, OrderChanges({line(purchase).pk: 0}), **SUE)
    SupplierTerms.objects.update(least_order_value=D(500))
    Pack.objects.get(name="box").terms.__class__.objects.update(least_packs=5)
    purchase.lines.update(most=D(10))
    assert approval.approve(purchase.pk, **SUE).flags == (
        "maker takes orders from 500 on; this one comes to 180.",
        "disc-p400: maker sells 5 box or more.",
        "disc-p400: of 75 each only 10 will surely be used before they expire.",
    )


@pytest.mark.django_db
def test_an_order_is_sent_as_a_letter_with_pdf_and_csv() -> None:
    purchase = a_draft()
    Shop.objects.update(name="Lantern Quay")
    Supplier.objects.filter(code="maker").update(name="=HYPERLINK maker")
    with pytest.raises(StepConflict, match="only an approved purchase"):
        dispatch.send(purchase.pk, **SUE)
    approval.approve(purchase.pk, OrderChanges({}, note="Ring the bell"), **SUE)
    done = dispatch.send(purchase.pk, **SUE)
    assert done.changed
    assert not dispatch.send(purchase.pk, **SUE).changed
    letter = Letter.objects.get()
    assert (letter.key, letter.recipients) == ("purchase PO-2026-0001", ["orders@maker.example.org"])
    assert letter.subject == "Order PO-2026-0001 from Lantern Quay"
    message = parsed(letter)
    assert isinstance(message, EmailMessage)
    pdf, file = attachments_of(message)
    assert (pdf.name, file.name) == ("PO-2026-0001.pdf", "PO-2026-0001.csv")
    text = PdfReader(BytesIO(pdf.content)).pages[0].extract_text()
    for shown in ("Order PO-2026-0001", "box of 25 each", "60.00", "180.00", "Ring the bell", "2026-03-02"):
        assert shown in text
    head, row = file.content.decode().splitlines()
    assert head.startswith("order,ordered_on,supplier,deliver_to,consumable,name,pack,units_in_pack,unit,")
    assert row == ("PO-2026-0001,2026-03-02,maker,depot,disc-p400,Disc,box,25,each,3,60,180.00,EUR")
    body = message.get_body(("plain",))
    assert body is not None
    assert "3 x box of 25 each Disc (disc-p400)" in body.get_content()
    assert done.order.expected_on == DAY + timedelta(days=7)


@pytest.mark.django_db
def test_a_name_that_a_spreadsheet_would_run_is_harmless_in_the_file() -> None:
    purchase = a_draft()
    Consumable.objects.filter(code=DISC).update(name="=1+1")
    assert ",'=1+1,box," in order_csv(purchase)


@pytest.mark.django_db
def test_a_supplier_without_an_address_is_told_otherwise() -> None:
    purchase = a_draft()
    Supplier.objects.update(email="")
    approval.approve(purchase.pk, **SUE)
    with pytest.raises(StepRefused, match="has no e-mail address"):
        dispatch.send(purchase.pk, **SUE)
    Supplier.objects.update(email="nonsense")
    with pytest.raises(StepRefused, match="is not an e-mail address"):
        dispatch.send(purchase.pk, **SUE)
    with pytest.raises(StepRefused, match="say how"):
        dispatch.mark_as_sent(purchase.pk, " ", **SUE)
    with pytest.raises(StepRefused, match="still to come"):
        dispatch.mark_as_sent(purchase.pk, "by telephone", at=LATER, **SUE)
    assert dispatch.mark_as_sent(purchase.pk, "by telephone", **SUE).changed
    assert not dispatch.mark_as_sent(purchase.pk, "by telephone", **SUE).changed
    assert Letter.objects.count() == 0
    assert events(purchase) == ["drafted", "approved", "marked as sent"]


@pytest.mark.django_db
def test_sending_is_taken_back_while_the_letter_waits_and_sent_once_more() -> None:
    purchase = sent()
    assert dispatch.take_sending_back(purchase.pk, **SUE).changed
    purchase.refresh_from_db()
    assert (purchase.status, purchase.sent_at) == ("approved", None)
    assert Letter.objects.get().state == "failed"
    dispatch.send(purchase.pk, **SUE)
    _, second = Letter.objects.order_by("pk")
    assert (second.key, second.state) == ("purchase PO-2026-0001 2", "waiting")
    Letter.objects.filter(pk=second.pk).update(state="sent", sent_at=NOW)
    with pytest.raises(StepConflict, match="has gone out"):
        dispatch.take_sending_back(purchase.pk, **SUE)


@pytest.mark.django_db
def test_a_sent_order_is_cancelled_with_a_reason_and_the_supplier_is_to_be_told() -> None:
    purchase = sent()
    with pytest.raises(StepRefused, match="give the reason"):
        approval.cancel(purchase.pk, **SUE)
    Letter.objects.update(state="sent", sent_at=NOW)
    done = approval.cancel(purchase.pk, reason="found a box", **SUE)
    assert done.flags == ("Tell maker: the order is with them.",)
    assert not approval.cancel(purchase.pk, reason="found a box", **SUE).changed
    with pytest.raises(StepConflict, match="cancelled before it was sent"):
        approval.reopen(purchase.pk, **SUE)
    # What comes all the same is taken.
    receive(purchase, brought("R-7", (DISC, 75, "180")))
    purchase.refresh_from_db()
    assert (purchase.status, depot_stock()) == ("cancelled", D(225))


@pytest.mark.django_db
def test_a_letter_that_waits_is_not_sent_once_its_order_is_cancelled() -> None:
    purchase = sent()
    assert approval.cancel(purchase.pk, reason="found a box", **SUE).flags == ()
    assert Letter.objects.get().error == "Taken back before it was sent."


@pytest.mark.django_db
def test_a_cancelled_draft_is_opened_again_unless_there_is_another() -> None:
    purchase = a_draft()
    approval.cancel(purchase.pk, **SUE)
    assert approval.reopen(purchase.pk, **SUE).changed
    assert not approval.reopen(purchase.pk, **SUE).changed
    approval.cancel(purchase.pk, **SUE)
    draft(forecast({DISC: WEEK}), DAY + timedelta(days=1), NOW + timedelta(days=1))
    with pytest.raises(StepConflict, match="PO-2026-0002 is the supplier's draft now"):
        approval.reopen(purchase.pk, **SUE)


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
    with pytest.raises(StepRefused, match="is no receipt from maker"):
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


RACE = """
import sys
from tests.forecasting.purchasing.test_order_steps import *
purchase = Purchase.objects.get()
for step in (approval.approve, dispatch.send):
    step(purchase.pk, **SUE)
receive(purchase, brought("R-7", (DISC, 50, "120")))
receive(purchase, brought("R-8", (DISC, 25, "60"), days=11))
"""
SET_UP = "from tests.forecasting.purchase_shop import a_draft; a_draft()"
COUNT = """
from forecasting.models import *
from tests.forecasting.purchase_shop import depot_stock, events
purchase = Purchase.objects.get()
counts = Letter.objects.count(), PurchaseReceipt.objects.count()
print(purchase.status, "|", depot_stock(), "|", *counts, "|", events(purchase))
"""


def test_steps_taken_by_several_at_once_are_taken_once(migrated_url: str) -> None:
    run_manage(migrated_url, "shell", "--no-imports", "-c", SET_UP)
    people = [
        subprocess.Popen(
            [sys.executable, "manage.py", "shell", "--no-imports", "-c", RACE],
            cwd=PROJECT,
            env={**os.environ, "DATABASE_URL": migrated_url},
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(4)
    ]
    # Who comes late finds the step taken, or the purchase further on than the step.
    for person in people:
        _, errors = person.communicate(timeout=180)
        assert person.returncode == 0 or "StepConflict" in errors, errors[-3000:]
    found = run_manage(migrated_url, "shell", "--no-imports", "-c", COUNT).stdout.strip()
    assert found == ("received | 225.0000 | 1 2 | ['drafted', 'approved', 'sent', 'received', 'received']")
