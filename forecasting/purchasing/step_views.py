"""Pages of purchases that ask before they do something: sending, cancelling, and what a delivery brought."""

from collections.abc import Mapping

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from forecasting.models import Purchase
from forecasting.purchasing import approval, dispatch, goods_receipt
from forecasting.purchasing.forms import DeliveryForm, SentForm, now_as_written
from forecasting.purchasing.queries import total_of
from forecasting.purchasing.views import go_back, purchase_or_404
from forecasting.workflow import Done, StepRefused
from inventory.ledger import Refused
from inventory.models import Books, Document
from shop.models import the_shop
from shop.people.permissions import STOCK_ROLES, for_roles, person_of
from shop.web.storeroom.counted_before import FIELD, count_question

RECEIPTS_OFFERED = 20


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def send(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what goes to whom and send it; or record how the supplier got the order in another way."""
    purchase = purchase_or_404(pk)
    if request.method == "POST" and "by-letter" in request.POST:
        return go_back(request, pk, dispatch.send, "Written: it goes out with the next letters.")
    told = "otherwise" in request.POST
    form = SentForm(request.POST if told else None, initial={"at": now_as_written()})
    if told and form.is_valid():
        how, at = form.cleaned_data["how"], form.cleaned_data["at"]

        def mark(pk: int, **who: object) -> Done[Purchase]:
            return dispatch.mark_as_sent(pk, how, at=min(at, timezone.now()), **who)  # type: ignore[arg-type]

        return go_back(request, pk, mark, "Marked as sent.")
    context = {
        "shop": the_shop(),
        "title": f"Send {purchase}",
        "purchase": purchase,
        "form": form,
        "total": total_of(purchase.lines.all()),
        "warnings": approval.warnings(purchase, list(purchase.lines.all())),
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/purchase_send.html", context, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask, then cancel a purchase."""
    purchase = purchase_or_404(pk)
    if request.method == "POST":
        reason = request.POST.get("reason", "")[:200].strip()

        def call_off(pk: int, **who: object) -> Done[Purchase]:
            return approval.cancel(pk, reason=reason, **who)  # type: ignore[arg-type]

        return go_back(request, pk, call_off, "Cancelled.")
    context = {"shop": the_shop(), "title": f"Cancel {purchase}?", "purchase": purchase}
    return render(request, "forecasting/purchase_cancel.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def receive(request: HttpRequest, pk: int) -> HttpResponse:
    """Record a delivery; what differs from the order is shown as text before it is booked."""
    purchase = purchase_or_404(pk)
    lines = [line for line in purchase.lines.all() if line.packs]
    sent = request.POST if request.method == "POST" else None
    form = DeliveryForm(sent, lines, initial=_new_delivery(purchase))
    found: list[str] = []
    counted = None
    if sent is not None and form.is_valid():
        receipt = form.receipt(purchase.supplier.code, purchase.depot)
        found = goods_receipt.preview(lines, receipt)
        known = Document.objects.filter(kind=receipt.kind, client_id=receipt.id).exists()
        counted = count_question(receipt)
        seen = counted.answer(sent) if counted else None
        if known or ((not found or "sure" in sent) and (counted is None or seen)):
            try:
                done = goods_receipt.receive(
                    pk,
                    receipt,
                    rest_comes=form.cleaned_data["rest_comes"],
                    seen=seen,
                    by=person_of(request).get_username(),
                    now=timezone.now(),
                )
            except (StepRefused, Refused) as refused:
                form.add_error(None, f"Nothing was booked: {refused}.")
            else:
                messages.success(request, "Booked." if done.changed else "That was booked already.")
                for flag in done.flags:
                    messages.warning(request, flag)
                return redirect("purchases:show", pk)
    context = {
        "shop": the_shop(),
        "title": f"Receive {purchase}",
        "purchase": purchase,
        "form": form,
        "found": [] if form.errors else found,
        "counted": None if form.errors else counted,
        "counted_said": request.POST.get(FIELD, ""),
        "receipts": _receipts_to_add(purchase),
        "digits": Books.objects.get().minor_unit_digits,
    }
    status = 400 if form.errors else 200
    return render(request, "forecasting/purchase_receive.html", context, status=status)


def _new_delivery(purchase: Purchase) -> Mapping[str, str | bool]:
    """Return what a form begins with: the id is the order's with the number of the delivery."""
    number = purchase.receipts.count() + 1
    while Document.objects.filter(kind="receipt", client_id=f"{purchase}-{number}").exists():
        number += 1
    return {"id": f"{purchase}-{number}", "occurred_at": now_as_written(), "rest_comes": True}


def _receipts_to_add(purchase: Purchase) -> list[Document]:
    """Return the supplier's latest receipts that belong to no order, from when this one was sent."""
    if purchase.sent_at is None:
        return []
    found = Document.objects.filter(
        kind="receipt",
        supplier=purchase.supplier,
        corrected_by=None,
        occurred_at__gte=purchase.sent_at,
    ).exclude(pk__in=purchase.receipts.model.objects.values("document"))
    return list(found.order_by("-occurred_at")[:RECEIPTS_OFFERED])


@require_POST
@for_roles(*STOCK_ROLES)
def receipts(request: HttpRequest, pk: int) -> HttpResponse:
    """Count a receipt that is in the books towards the order, or no longer."""
    receipt_id = request.POST.get("receipt", "")
    adds = "add" in request.POST

    def tie(pk: int, **who: object) -> Done[Purchase]:
        tied = goods_receipt.link if adds else goods_receipt.unlink
        return tied(pk, receipt_id, **who)  # type: ignore[arg-type]

    return go_back(request, pk, tie, "Added." if adds else "Taken off; it stays in the books.")
