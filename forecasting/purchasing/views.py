"""Pages of purchases: the list, one purchase, and the steps that need no page of their own."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.db.models import Value
from django.db.models.functions import Coalesce, NullIf
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from forecasting.burn.runs import latest_run
from forecasting.draft_requirements import CannotDraftError
from forecasting.models import (
    Purchase,
    PurchaseLeftOut,
    PurchaseLine,
    PurchaseStatus,
)
from forecasting.purchasing import approval, dispatch, goods_receipt
from forecasting.purchasing.drafts import begin_order, draft_purchases, is_touched
from forecasting.purchasing.forms import PurchaseDraftForm
from forecasting.purchasing.purchase_order_pdf import order_csv, order_pdf
from forecasting.purchasing.queries import (
    happened,
    is_late,
    narrowed,
    purchases,
    rows,
    status_choices,
    total_of,
    with_lines,
)
from forecasting.workflow import Done
from forecasting.workflow_views import fill_in, press
from inventory.models import Books, Pack, Supplier
from shop.common.pagination import page_of
from shop.common.text import counted
from shop.exports.download import CSV, download
from shop.models import in_shop_zone, the_shop
from shop.people.permissions import STOCK_READERS, STOCK_ROLES, for_roles, person_of, role_of
from shop.web.code_select import options_of

# What could not be ordered has a page of its own; the list of purchases shows how it begins.
LEFT_OUT_SHOWN = 5

# What a person may press, by the name of the button: the label, the statuses that show it, the step.
STEPS: dict[str, tuple[str, frozenset[str], Callable[..., Done[Purchase]]]] = {
    "take-approval-back": (
        "Take the approval back",
        frozenset({PurchaseStatus.APPROVED}),
        approval.take_approval_back,
    ),
    "take-sending-back": (
        "Take the sending back",
        frozenset({PurchaseStatus.SENT}),
        dispatch.take_sending_back,
    ),
    "undo-changes": (
        "Back to the suggestion",
        frozenset({PurchaseStatus.DRAFT}),
        approval.undo_changes,
    ),
    "rest-is-not-coming": (
        "The rest is not coming",
        frozenset({PurchaseStatus.PARTLY_RECEIVED}),
        goods_receipt.call_rest_off,
    ),
    "expect-rest": (
        "Expect the rest after all",
        frozenset({PurchaseStatus.RECEIVED}),
        goods_receipt.expect_rest,
    ),
    "reopen": ("Open it again", frozenset({PurchaseStatus.CANCELLED}), approval.reopen),
}


@never_cache
@require_safe
@for_roles(*STOCK_READERS)
def index(request: HttpRequest) -> HttpResponse:
    """Show the purchases, newest first, narrowed by supplier and status; and what could not be ordered."""
    asked = {name: request.GET.get(name, "") for name in ("supplier", "status")}
    shown = Coalesce(NullIf("name", Value("")), "code")
    suppliers = options_of(Supplier.objects.order_by("code").values_list("code", shown))
    page = page_of(request, with_lines(narrowed(purchases(), **asked)), "page")
    left_out = PurchaseLeftOut.objects.all()
    context = {
        "shop": the_shop(),
        "title": "Purchases",
        "page": page,
        "rows": rows(page, timezone.localdate()),
        "asked": asked,
        "suppliers": suppliers,
        "has_suppliers": suppliers != [],
        "statuses": status_choices(),
        "may_draft": role_of(person_of(request)) in STOCK_ROLES,
        "left_out": list(left_out[:LEFT_OUT_SHOWN]),
        "left_out_in_all": left_out.count(),
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/purchases.html", context)


@never_cache
@require_safe
@for_roles(*STOCK_ROLES)
def left_out(request: HttpRequest) -> HttpResponse:
    """Show what the latest drafting could not order, and why."""
    context = {
        "shop": the_shop(),
        "title": "What could not be ordered",
        "page": page_of(request, PurchaseLeftOut.objects.all(), "page"),
    }
    return render(request, "forecasting/purchase_left_out.html", context)


@require_POST
@for_roles(*STOCK_ROLES)
def draft(request: HttpRequest) -> HttpResponse:
    """Draft today's purchases now; what is there already stays."""
    now = timezone.now()
    run = latest_run()
    if run is None:
        messages.error(request, "There is no burn forecast yet; make one first, then draft.")
        return redirect("purchases:list")
    day = in_shop_zone(now, the_shop()).date()
    before = set(Purchase.objects.filter(period=day.isoformat()).values_list("pk", flat=True))
    try:
        drafts = draft_purchases(run, day, by=person_of(request).get_username(), now=now)
    except CannotDraftError as reason:
        messages.error(request, str(reason))
        return redirect("purchases:list")
    new = [purchase for purchase in drafts if purchase.pk not in before]
    if new:
        messages.success(request, f"{counted(len(new), 'purchase')} drafted for {day}.")
    elif drafts:
        messages.info(request, f"{day} is drafted already; nothing was changed.")
    else:
        messages.info(request, "Nothing is missing that can be ordered.")
    if drafts.left_out:
        more = counted(len(drafts.left_out), "more thing")
        messages.warning(request, f"{more} should be ordered and cannot be; see why below the list.")
    return redirect("purchases:list")


@require_POST
@for_roles(*STOCK_ROLES)
def begin(request: HttpRequest) -> HttpResponse:
    """New order by hand, or go to the supplier's draft."""
    supplier = get_object_or_404(Supplier, code=request.POST.get("supplier", ""))
    now = timezone.now()
    try:
        purchase = begin_order(
            supplier,
            by=person_of(request).get_username(),
            now=now,
            today=in_shop_zone(now, the_shop()).date(),
        )
    except CannotDraftError as reason:
        messages.error(request, str(reason))
        return redirect("purchases:list")
    return redirect("purchases:show", purchase.pk)


def purchase_or_404(pk: int) -> Purchase:
    """Return a purchase with its lines."""
    purchase = with_lines(purchases()).filter(pk=pk).first()
    if purchase is None:
        raise Http404
    return purchase


@never_cache
@require_safe
@for_roles(*STOCK_READERS)
def show(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one purchase: what is suggested and why, and its history."""
    return _show(request, purchase_or_404(pk))


def _show(
    request: HttpRequest, purchase: Purchase, form: PurchaseDraftForm | None = None, status: int = 200
) -> HttpResponse:
    may_act = role_of(person_of(request)) in STOCK_ROLES
    lines = list(purchase.lines.all())
    changes = may_act and purchase.status == PurchaseStatus.DRAFT
    if form is None and changes:
        form = _draft_form(None, purchase)
    at = purchase.status
    steps = [(name, label) for name, (label, shown, _) in STEPS.items() if at in shown]
    if at == PurchaseStatus.RECEIVED and not purchase.rest_called_off:
        steps = []
    if at == PurchaseStatus.CANCELLED and purchase.sent_at:
        steps = []
    if at == PurchaseStatus.DRAFT and not is_touched(purchase):
        steps = []
    receipts = list(purchase.receipts.select_related("document"))
    context = {
        "shop": the_shop(),
        "title": f"Purchase {purchase} from {purchase.supplier.name or purchase.supplier}",
        "purchase": purchase,
        "lines": [(line, form.field_of(line) if form else None) for line in lines],
        "total": total_of(lines),
        "form": form,
        "steps": steps if may_act else [],
        "may_change": changes,
        "may_send": may_act and at == PurchaseStatus.APPROVED,
        "may_receive": may_act and purchase.sent_at is not None,
        "may_cancel": may_act and at in (PurchaseStatus.DRAFT, PurchaseStatus.APPROVED, PurchaseStatus.SENT),
        "may_act": may_act,
        "warnings": approval.warnings(purchase, lines)
        if at in (PurchaseStatus.DRAFT, PurchaseStatus.APPROVED)
        else [],
        "receipts": receipts,
        "letters": purchase.letters.order_by("pk"),
        "events": happened(purchase),
        "late": is_late(purchase, timezone.localdate()),
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/purchase.html", context, status=status)


def _draft_form(data: Any, purchase: Purchase) -> PurchaseDraftForm:
    lines = list(purchase.lines.all())
    priced = Pack.objects.filter(supplier=purchase.supplier, terms__isnull=False)
    further = priced.exclude(pk__in=PurchaseLine.objects.filter(purchase=purchase).values("pack"))
    return PurchaseDraftForm(data, lines, purchase.note, further.order_by("consumable__name", "name"))


@require_POST
@for_roles(*STOCK_ROLES)
def change(request: HttpRequest, pk: int) -> HttpResponse:
    """Save the changes of a draft, or approve it with them."""
    purchase = purchase_or_404(pk)
    form = _draft_form(request.POST, purchase)
    by, now = person_of(request).get_username(), timezone.now()
    approves = "approve" in request.POST
    step = approval.approve if approves else approval.change
    said = "Approved: it can be sent." if approves else "Saved."

    def take() -> Done[Purchase]:
        return step(pk, form.changes(), by=by, now=now)

    # The page itself shows the warnings about an approved order.
    if fill_in(request, form, take, said, unchanged="Nothing was changed."):
        return redirect("purchases:show", pk)
    return _show(request, purchase_or_404(pk), form, status=400)


@require_POST
@for_roles(*STOCK_ROLES)
def step(request: HttpRequest, pk: int) -> HttpResponse:
    """Take one of the steps that only need confirmation."""
    _, _, taken = STEPS.get(request.POST.get("step", ""), ("", frozenset(), None))
    if taken is None:
        raise Http404
    return go_back(request, pk, taken, "Done.")


def go_back(
    request: HttpRequest, pk: int, taken: Callable[..., Done[Purchase]], said: str
) -> HttpResponseRedirect:
    """Take a step, show its result, and show the purchase."""
    press(request, pk, taken, said)
    return redirect("purchases:show", pk)


@require_safe
@for_roles(*STOCK_READERS)
def as_pdf(request: HttpRequest, pk: int) -> HttpResponse:  # noqa: ARG001 - a view gets both
    """Send the order as a PDF."""
    purchase = purchase_or_404(pk)
    return download(order_pdf(purchase), f"{purchase}.pdf", "application/pdf")


@require_safe
@for_roles(*STOCK_READERS)
def as_csv(request: HttpRequest, pk: int) -> HttpResponse:  # noqa: ARG001 - a view gets both
    """Send the order as CSV."""
    purchase = purchase_or_404(pk)
    return download(order_csv(purchase).encode(), f"{purchase}.csv", CSV)
