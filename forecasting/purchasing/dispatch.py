"""An approved purchase on its way to the supplier: by e-mail, or in another way and marked as sent."""

import math
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.template.loader import render_to_string

from forecasting.email_addresses import on_the_wire
from forecasting.models import Letter, LetterState, Purchase, PurchaseLine, PurchaseStatus, SupplierTerms
from forecasting.outbox.messages import Attachment, Composed, write_letter
from forecasting.purchasing.inputs import lead_time_of
from forecasting.purchasing.purchase_order_pdf import order_csv, order_pdf, ordered_lines
from forecasting.workflow import Done, StepConflict, StepRefused, go, not_now, note, take
from inventory.documents import Problem, free_text_problem
from shop.models import in_shop_zone, on_shop_clocks, the_shop

WITHDRAWN = "Taken back before it was sent."


def send(purchase_id: int, *, by: str, now: datetime) -> Done[Purchase]:
    """Write the order to the supplier, with a PDF and a CSV; the letter goes out with the next post.

    The same again is answered with the first. Raises StepRefused for a supplier without an address,
    StepConflict when the purchase is not approved.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status == PurchaseStatus.SENT:
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.APPROVED:
            raise not_now(purchase, "only an approved purchase can be sent")
        recipient = _address_of(purchase)
        _mark(purchase, lines, now)
        before = Letter.objects.filter(purchase=purchase, resends=None).count()
        key = f"purchase {purchase.number}" + (f" {before + 1}" if before else "")
        letter = write_letter(key, [recipient], _composed(purchase), purchase=purchase, by=by, now=now)
        note(purchase, "sent", by=by, now=now, details={"to": recipient, "letter": letter.pk})
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def mark_as_sent(
    purchase_id: int, how: str, *, by: str, now: datetime, at: datetime | None = None
) -> Done[Purchase]:
    """Mark a purchase as ordered in another way: by telephone, on a website; `at` is when, by default now.

    Raises StepRefused without saying how and for a moment to come; StepConflict when it is not approved.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status == PurchaseStatus.SENT:
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.APPROVED:
            raise not_now(purchase, "only an approved purchase can be marked as sent")
        if not how.strip():
            raise StepRefused([Problem("how", "", "is empty; say how the supplier was told")])
        if found := free_text_problem(how):
            raise StepRefused([Problem("how", how[:50], found)])
        if at is not None and at > now:
            raise StepRefused([Problem("at", on_shop_clocks(at), "is still to come; give when it was")])
        _mark(purchase, lines, at or now)
        note(purchase, "marked as sent", by=by, now=now, details={"how": how})
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def take_sending_back(purchase_id: int, *, by: str, now: datetime) -> Done[Purchase]:
    """Make a sent purchase an approved one again, as long as the supplier cannot have it.

    Raises StepConflict when its letter has gone out, or something has come.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:  # noqa: ARG001 - a step gets both
        if purchase.status == PurchaseStatus.APPROVED:
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.SENT or purchase.receipts.exists():
            raise not_now(purchase, "only what was just sent, and of which nothing came, can be taken back")
        if not withdraw_letters(purchase):
            raise StepConflict(
                [Problem("status", purchase.status, "has gone out; cancel it and tell the supplier")]
            )
        purchase.sent_at = purchase.expected_on = None
        go(purchase, PurchaseStatus.APPROVED, "sent_at", "expected_on")
        note(purchase, "sending taken back", by=by, now=now)
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def withdraw_letters(purchase: Purchase) -> bool:
    """Keep letters of a purchase that wait from being sent; return whether the supplier can have none.

    The caller holds the purchase. A purchase marked as sent by hand has no letter: the person knows.
    """
    letters = list(Letter.objects.select_for_update().filter(purchase=purchase).order_by("pk"))
    if any(letter.accepted or letter.state in (LetterState.SENDING, LetterState.SENT) for letter in letters):
        return False
    waiting = [letter.pk for letter in letters if letter.state == LetterState.WAITING]
    Letter.objects.filter(pk__in=waiting).update(state=LetterState.FAILED, error=WITHDRAWN)
    last = purchase.events.filter(what__in=("sent", "marked as sent")).last()
    return last is None or last.what == "sent"


def _address_of(purchase: Purchase) -> str:
    supplier = purchase.supplier
    if not supplier.email:
        expected = "has no e-mail address; give it one, or order in another way and mark the order as sent"
        raise StepRefused([Problem("supplier", supplier.code, expected)])
    try:
        return on_the_wire(supplier.email)
    except ValidationError as error:
        raise StepRefused([Problem("supplier", supplier.code, error.messages[0])]) from error


def _mark(purchase: Purchase, lines: list[PurchaseLine], at: datetime) -> None:
    if not any(line.packs for line in lines):
        raise StepRefused([Problem("lines", "", "are all 0; take the approval back and order something")])
    purchase.sent_at = at
    terms = SupplierTerms.objects.select_related("supplier").filter(supplier=purchase.supplier).first()
    if terms:
        days = math.ceil(lead_time_of(terms).mean_days)
        purchase.expected_on = in_shop_zone(at, the_shop()).date() + timedelta(days=days)
    go(purchase, PurchaseStatus.SENT, "sent_at", "expected_on")


def _composed(purchase: Purchase) -> Composed:
    shop = the_shop()
    context = {"shop": shop, "purchase": purchase, "lines": ordered_lines(purchase)}
    return Composed(
        subject=f"Order {purchase} from {shop.name}",
        text=render_to_string("forecasting/purchase_letter.txt", context),
        html=render_to_string("forecasting/purchase_letter.html", context),
        attachments=(
            Attachment(f"{purchase}.pdf", "application/pdf", order_pdf(purchase)),
            Attachment(f"{purchase}.csv", "text/csv", order_csv(purchase).encode()),
        ),
    )
