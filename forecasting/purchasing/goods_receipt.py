"""Goods received on a purchase: receipts in the ledger, how they differ, and what is still to come."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import datetime
from decimal import Decimal, localcontext
from typing import Any

from forecasting.models import Purchase, PurchaseLine, PurchaseReceipt, PurchaseStatus
from forecasting.purchasing.delivery_discrepancies import Came, Expected, differences
from forecasting.stock_control.numeric_checks import rounded
from forecasting.workflow import Done, StepConflict, StepRefused, go, not_now, note, take
from inventory import ledger, signals
from inventory.decimals import PRECISION, ZERO
from inventory.documents import DocumentKind, Problem, Receipt
from inventory.ledger import late_arrivals
from inventory.ledger.late_arrivals import Seen
from inventory.models import Books, Document
from shop.models import in_shop_zone, the_shop

DAY_SECONDS = 86_400
IS_OPEN = (PurchaseStatus.SENT, PurchaseStatus.PARTLY_RECEIVED)


def receive(
    purchase_id: int,
    receipt: Receipt,
    *,
    rest_comes: bool = True,
    seen: Seen | None = None,
    by: str,
    now: datetime,
) -> Done[Purchase]:
    """Post a delivery through the ledger's door, as it came, and count it towards its order.

    What differs is kept with the receipt as text and returned as flags; nothing is refused for it. A
    delivery that comes when the order counts as complete or cancelled is accepted too: the goods are there.
    The same receipt again is answered with the first. `seen` says which count of the depot, of those that the
    delivery is dated before, was the first to find it; those before are corrected
    (inventory.ledger.late_arrivals). Raises what the ledger raises; StepRefused for another supplier and for
    a delivery before the order; StepConflict when the order was never sent.
    """

    def work() -> Done[Purchase]:
        _require_expected(Purchase.objects.select_related("supplier").get(pk=purchase_id), receipt)
        # The ledger's pools first, then the purchase: a correction of a receipt comes to them in this order.
        posting = late_arrivals.post(receipt, seen, by=by, now=now)
        return take(Purchase, purchase_id, lambda purchase, lines: count(purchase, lines, posting))

    def count(purchase: Purchase, lines: list[PurchaseLine], posting: ledger.Posting) -> Done[Purchase]:
        _require_expected(purchase, receipt)
        document = Document.objects.get(pk=posting.document_id)
        if linked := PurchaseReceipt.objects.filter(document=document).first():
            _require_own(linked, purchase, document)
            return Done(purchase, changed=False, flags=posting.flags)
        found = _link(purchase, lines, document)
        note(purchase, "received", by=by, now=now, details={"receipt": receipt.id, "differences": found})
        _recount(purchase, lines, rest_comes=rest_comes)
        if not rest_comes and any(line.open_units for line in lines):
            note(purchase, "rest is not coming", by=by, now=now)
        return Done(purchase, changed=True, flags=(*posting.flags, *found))

    return ledger.once_more_if_raced(work)


def link(purchase_id: int, receipt_id: str, *, by: str, now: datetime) -> Done[Purchase]:
    """Count a receipt that is in the ledger already towards an order of its supplier.

    Raises StepRefused for a receipt that is not there, undone, of another supplier or of before the order;
    StepConflict when it belongs to another order, or the order was never sent.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.sent_at is None:
            raise not_now(purchase, "say first that the order was sent")
        document = Document.objects.filter(
            kind=DocumentKind.RECEIPT, client_id=receipt_id, supplier=purchase.supplier, corrected_by=None
        ).first()
        if document is None:
            expected = (
                f"is not a receipt from {purchase.supplier}, or was undone; look it up in the documents"
            )
            raise StepRefused([Problem("receipt", receipt_id, expected)])
        if linked := PurchaseReceipt.objects.filter(document=document).first():
            _require_own(linked, purchase, document)
            return Done(purchase, changed=False)
        found = _link(purchase, lines, document)
        note(purchase, "receipt added", by=by, now=now, details={"receipt": receipt_id, "differences": found})
        _recount(purchase, lines)
        return Done(purchase, changed=True, flags=tuple(found))

    return take(Purchase, purchase_id, step)


def unlink(purchase_id: int, receipt_id: str, *, by: str, now: datetime) -> Done[Purchase]:
    """Let a receipt belong to no order again; it stays in the ledger. Nothing to do is not an error."""

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        removed, _ = purchase.receipts.filter(document__client_id=receipt_id).delete()
        if not removed:
            return Done(purchase, changed=False)
        note(purchase, "receipt taken off", by=by, now=now, details={"receipt": receipt_id})
        _recount(purchase, lines)
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def call_rest_off(purchase_id: int, *, by: str, now: datetime) -> Done[Purchase]:
    """Record that the rest of a partly received order is not coming; it no longer counts as on order.

    Raises StepConflict when nothing came: then the purchase is cancelled.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status == PurchaseStatus.RECEIVED:
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.PARTLY_RECEIVED:
            raise not_now(purchase, "only the rest of an order of which something came can be cancelled")
        _recount(purchase, lines, rest_comes=False)
        note(purchase, "rest is not coming", by=by, now=now)
        return Done(purchase, changed=True, flags=(f"Tell {purchase.supplier} unless it said so itself.",))

    return take(Purchase, purchase_id, step)


def expect_rest(purchase_id: int, *, by: str, now: datetime) -> Done[Purchase]:
    """Wait for the rest of an order again that was said not to come.

    Raises StepConflict when nothing is missing of it.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status in IS_OPEN:
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.RECEIVED or not any(line.open_units for line in lines):
            raise not_now(purchase, "nothing of it is missing")
        _recount(purchase, lines, rest_comes=True)
        note(purchase, "rest is coming after all", by=by, now=now)
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def preview(lines: Sequence[PurchaseLine], receipt: Receipt) -> list[str]:
    """Return how a receipt would differ, before it is posted."""
    came = [Came(line.consumable, line.quantity, line.cost) for line in receipt.lines]
    return differences(_expected(lines), came, Books.objects.get().minor_unit)


def follow_ledger() -> None:
    """Let corrections of receipts, wherever they are posted, count in the orders they belong to."""
    signals.revalued.connect(_take_back, dispatch_uid="forecasting.purchasing.receiving")


def _take_back(received_from: dict[int, datetime], corrections: Collection[int], **_: Any) -> None:
    if not (received_from and corrections):
        return
    undone = PurchaseReceipt.objects.filter(taken_back=False, document__corrected_by__in=corrections)
    # In one order, so that two corrections of several receipts never wait for each other.
    for row in list(undone.select_related("document__corrected_by").order_by("purchase", "pk")):
        correction = row.document.corrected_by
        purchase = Purchase.objects.select_for_update(of=("self",)).get(pk=row.purchase_id)
        row.taken_back = True
        row.save(update_fields=["taken_back"])
        details = {"receipt": row.document.client_id, "correction": correction.client_id}
        who = correction.recorded_by
        note(purchase, "receipt undone", by=who, now=correction.recorded_at, details=details)
        _recount(purchase, list(purchase.lines.select_related("consumable")))


def _require_expected(purchase: Purchase, receipt: Receipt) -> None:
    if purchase.sent_at is None:
        raise not_now(purchase, "say first that the order was sent")
    if receipt.supplier != purchase.supplier.code:
        expected = f"did not get this order; {purchase.supplier} did"
        raise StepRefused([Problem("supplier", receipt.supplier, expected)])


def _require_own(linked: PurchaseReceipt, purchase: Purchase, document: Document) -> None:
    if linked.purchase_id != purchase.pk:
        expected = f"belongs to {linked.purchase} already; take it off there first"
        raise StepConflict([Problem("receipt", document.client_id, expected)])


def _link(purchase: Purchase, lines: Sequence[PurchaseLine], document: Document) -> list[str]:
    """Link a receipt to the order and return how it differs; the supplier's lead time is learned from it."""
    assert purchase.sent_at is not None  # noqa: S101 - who calls has checked
    seconds = (document.occurred_at - purchase.sent_at).total_seconds()
    if seconds < -DAY_SECONDS:
        shop = the_shop()
        came_on, sent_on = (in_shop_zone(at, shop).date() for at in (document.occurred_at, purchase.sent_at))
        expected = f"is before the order was sent, {sent_on}; correct the day"
        raise StepRefused([Problem("occurred_at", came_on, expected)])
    came = [
        Came(line["consumable"], Decimal(line["quantity"]), Decimal(line["cost"]))
        for line in document.content["lines"]
    ]
    found = differences(_expected(lines), came, Books.objects.get().minor_unit)
    days = rounded(max(Decimal(int(seconds)), ZERO) / DAY_SECONDS)
    PurchaseReceipt.objects.create(purchase=purchase, document=document, lead_days=days, differences=found)
    return found


def _expected(lines: Sequence[PurchaseLine]) -> list[Expected]:
    """Return what is still to come, by consumable; several packs of one have one average price."""
    units: dict[str, Decimal] = defaultdict(Decimal)
    open_units: dict[str, Decimal] = defaultdict(Decimal)
    cost: dict[str, Decimal] = defaultdict(Decimal)
    unit_of = {}
    for line in lines:
        if line.packs:
            code = line.consumable.code
            unit_of[code] = line.consumable.stock_unit
            units[code] += line.units
            open_units[code] += line.open_units
            cost[code] += line.cost
    with localcontext(prec=PRECISION):
        return [
            Expected(code, unit, open_units[code], cost[code] / units[code]) for code, unit in unit_of.items()
        ]


def _recount(purchase: Purchase, lines: Sequence[PurchaseLine], *, rest_comes: bool | None = None) -> None:
    """Share what all receipts brought over the lines, and say how far the order has come.

    The received quantity of a consumable fills its lines in turn; the last takes any excess. `rest_comes` is
    what a person says about what is missing; None leaves it as it was said before.
    """
    receipts = purchase.receipts.filter(taken_back=False).select_related("document")
    came: dict[str, Decimal] = defaultdict(Decimal)
    for receipt in receipts:
        for line in receipt.document.content["lines"]:
            came[line["consumable"]] += Decimal(line["quantity"])
    last = {line.consumable.code: line for line in lines if line.packs}
    for row in lines:
        code = row.consumable.code
        taken = came[code] if row is last.get(code) else min(came[code], row.units)
        row.received_units = taken
        came[code] -= taken
    PurchaseLine.objects.bulk_update(lines, ["received_units"])
    if rest_comes is None:
        rest_comes = not purchase.rest_called_off
    purchase.rest_called_off = not rest_comes and bool(receipts)
    missing = any(row.open_units for row in lines)
    if purchase.status == PurchaseStatus.CANCELLED:
        status = PurchaseStatus.CANCELLED
    elif not receipts:
        status = PurchaseStatus.SENT
    elif missing and rest_comes:
        status = PurchaseStatus.PARTLY_RECEIVED
    else:
        status = PurchaseStatus.RECEIVED
    go(purchase, status, "rest_called_off")
