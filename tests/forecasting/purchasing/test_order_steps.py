"""The steps of a purchase: changed, approved, sent, cancelled; each once, undone where possible."""

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

from forecasting.models import Letter, Purchase, SupplierTerms
from forecasting.outbox.messages import attachments_of, parsed
from forecasting.purchasing import approval, dispatch, goods_receipt
from forecasting.purchasing.approval import OrderChanges
from forecasting.purchasing.purchase_order_pdf import order_csv
from forecasting.workflow import Done, StepConflict, StepRefused
from inventory.documents import Receipt, ReceiptLine
from inventory.models import Consumable, Pack, Supplier
from shop.models import Shop
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
    # A delivery that still comes is received.
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
