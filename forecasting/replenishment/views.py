"""Pages of restocks: the list, one restock, and the steps that change nothing in the stock."""

from collections.abc import Callable, Sequence
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from forecasting.burn.runs import latest_run
from forecasting.draft_requirements import CannotDraftError
from forecasting.models import Restock, RestockLine, RestockStatus
from forecasting.replenishment import approval, pick_ship_receive
from forecasting.replenishment.drafts import draft_restocks, week_of
from forecasting.replenishment.forms import QuantitiesForm, RestockDraftForm
from forecasting.replenishment.pick_list import file_name, in_units, pick_list_csv, pick_list_pdf
from forecasting.replenishment.queries import (
    narrowed,
    rows,
    status_choices,
    visible_to,
    with_differences,
    with_lines,
)
from forecasting.replenishment.redraft import draft_again, draft_week_again
from forecasting.workflow import Done
from forecasting.workflow_views import fill_in, press, warn
from inventory.models import Books, Consumable
from shop.common.pagination import page_by_key
from shop.common.text import counted
from shop.exports.download import CSV, download
from shop.models import in_shop_zone, the_shop
from shop.people.permissions import (
    EVERYONE,
    STOCK_ROLES,
    VAN_AND_STOCK,
    for_roles,
    person_of,
    role_of,
    sees_costs,
)
from shop.web.code_select import options_of

WEEKS_OFFERED = 53

TAKE_BACK: dict[str, tuple[str, Callable[..., Done[Restock]]]] = {
    RestockStatus.APPROVED: ("Take the approval back", approval.take_approval_back),
    RestockStatus.UNDER_WAY: ("Take the pick back", pick_ship_receive.take_pick_back),
    RestockStatus.RECEIVED: ("Take the confirmation back", pick_ship_receive.take_confirmation_back),
    RestockStatus.CANCELLED: ("Open it again", approval.reopen),
}


@never_cache
@require_safe
@for_roles(*EVERYONE)
def index(request: HttpRequest) -> HttpResponse:
    """Show the restocks, newest week first, narrowed by week, van and status."""
    person = person_of(request)
    asked = {name: request.GET.get(name, "") for name in ("week", "van", "status")}
    known = visible_to(person)
    found = narrowed(with_differences(known), **asked)
    page = page_by_key(request, with_lines(found), "page")
    context = {
        "shop": the_shop(),
        "title": "Van restocks",
        "page": page,
        "rows": rows(page),
        "asked": asked,
        "weeks": _distinct(known, "period", "-period")[:WEEKS_OFFERED],
        "vans": options_of(_distinct(known, "van__code", "van__code")),
        "statuses": status_choices(),
        "may_draft": role_of(person) in STOCK_ROLES,
        "sees_costs": sees_costs(person),
        "has_drafts": known.filter(period=this_week(), status=RestockStatus.DRAFT).exists(),
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/restocks.html", context)


def this_week() -> str:
    """Return the ISO week on the shop's clocks."""
    return week_of(in_shop_zone(timezone.now(), the_shop()).date())


def _distinct(restocks: Any, field: str, order: str) -> Any:
    return restocks.order_by(order).values_list(field, flat=True).distinct()


@require_POST
@for_roles(*STOCK_ROLES)
def draft(request: HttpRequest) -> HttpResponse:
    """Draft this week's restocks now; what is there already stays."""
    now, period = timezone.now(), this_week()
    run = latest_run()
    if run is None:
        messages.error(request, "There is no burn forecast yet; make one first, then draft.")
        return redirect("restocks:list")
    before = Restock.objects.filter(period=period).count()
    try:
        made = draft_restocks(run, period, by=person_of(request).get_username(), now=now)
    except CannotDraftError as reason:
        messages.error(request, str(reason))
        return redirect("restocks:list")
    if new := len(made) - before:
        messages.success(request, f"{counted(new, 'restock')} of {period} drafted.")
    elif made:
        messages.info(request, f"{period} is drafted already; nothing was changed.")
    else:
        messages.info(request, "No van is going to burn anything, so nothing was drafted.")
    return redirect("restocks:list")


@require_POST
@for_roles(*STOCK_ROLES)
def renew_week(request: HttpRequest) -> HttpResponse:
    """Recalculate this week's drafts that nobody has changed or approved."""
    now, period = timezone.now(), this_week()
    run = latest_run()
    drafts = Restock.objects.filter(period=period, status=RestockStatus.DRAFT).count()
    if run is None or not drafts:
        messages.info(request, f"There is no draft of {period} to recalculate.")
        return redirect("restocks:list")
    try:
        changed = draft_week_again(run, period, by=person_of(request).get_username(), now=now)
    except CannotDraftError as reason:
        messages.error(request, str(reason))
        return redirect("restocks:list")
    if changed:
        vans = ", ".join(str(restock.van) for restock in changed)
        messages.success(request, f"{counted(len(changed), 'draft')} changed: {vans}.")
    else:
        messages.info(request, "No draft changes. Drafts that were changed by hand or approved stay.")
    return redirect("restocks:list")


def restock_or_404(request: HttpRequest, pk: int) -> Restock:
    """Return a restock that the person may see."""
    restock = with_differences(visible_to(person_of(request))).filter(pk=pk).first()
    if restock is None:
        raise Http404
    return restock


def lines_of(restock: Restock) -> list[RestockLine]:
    """Return the lines with their consumables, in the order of the codes."""
    return list(restock.lines.select_related("consumable").order_by("consumable__code"))


@never_cache
@require_safe
@for_roles(*EVERYONE)
def show(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one restock: what is suggested and why, and its history."""
    return _show(request, restock_or_404(request, pk))


def _show(
    request: HttpRequest, restock: Restock, form: QuantitiesForm | None = None, status: int = 200
) -> HttpResponse:
    role = role_of(person_of(request))
    lines = form.lines if form else lines_of(restock)
    may_approve = role in STOCK_ROLES and restock.status == RestockStatus.DRAFT
    if form is None and may_approve:
        form = _draft_form(None, lines)
    fields = dict(form.rows()) if form else {}
    shown = [(line, line.due, in_units(line), fields.get(line)) for line in lines]
    enough = [row for row in shown if not (row[0].wanted or row[1])]
    settled = any(line.brought_back or line.lost for line in lines)
    take_back = None if settled else TAKE_BACK.get(restock.status)
    context = {
        "shop": the_shop(),
        "title": f"Restock of {restock.van}, {restock.period}",
        "restock": restock,
        "giving": [row for row in shown if row[0].wanted or row[1]],
        "enough": enough,
        "enough_count": len(enough),
        "total": sum((line.unit_cost * given for line, given, _, _ in shown), start=0),
        "short": [line for line in lines if line.suggested < line.wanted],
        "events": restock.events.all(),
        "form": form,
        "may_approve": may_approve,
        "sees_costs": sees_costs(request.user),
        "changed": may_approve and approval.touched(lines),
        "may_pick": role in STOCK_ROLES and restock.status == RestockStatus.APPROVED,
        "may_confirm": role in VAN_AND_STOCK and restock.status == RestockStatus.UNDER_WAY,
        "may_settle": role in STOCK_ROLES and getattr(restock, "has_differences", False),
        "may_cancel": role in STOCK_ROLES and restock.status in (RestockStatus.DRAFT, RestockStatus.APPROVED),
        "take_back": take_back[0] if take_back and role in STOCK_ROLES else None,
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/restock.html", context, status=status)


def _draft_form(data: Any, lines: Sequence[RestockLine]) -> RestockDraftForm:
    further = Consumable.objects.exclude(pk__in=[line.consumable_id for line in lines]).order_by(
        "name", "code"
    )
    return RestockDraftForm(data, lines, list(further))


@require_POST
@for_roles(*STOCK_ROLES)
def change(request: HttpRequest, pk: int) -> HttpResponse:
    """Save the changes of a draft, or approve it with them."""
    restock = restock_or_404(request, pk)
    form = _draft_form(request.POST, lines_of(restock))
    approves = "approve" in request.POST
    step = approval.approve if approves else approval.change

    def take() -> Done[Restock]:
        return step(pk, form.quantities(), by=person_of(request).get_username(), now=timezone.now())

    done = "Approved: it is ready to be picked." if approves else "Saved."
    return taken(request, restock, form, take, done=done, again=_show)


@require_POST
@for_roles(*STOCK_ROLES)
def undo_changes(request: HttpRequest, pk: int) -> HttpResponse:
    """Restore the suggestion of a draft."""
    restock = restock_or_404(request, pk)
    return _go_back(request, restock, approval.undo_changes, "The suggestion is restored.")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def renew(request: HttpRequest, pk: int) -> HttpResponse:
    """Recalculate a draft; ask first where a person changed it."""
    restock = restock_or_404(request, pk)
    changed = approval.touched(lines_of(restock))
    if request.method == "POST" and (not changed or "sure" in request.POST):
        run = latest_run() or restock.run

        def again(pk: int, **who: Any) -> Done[Restock]:
            return draft_again(pk, run, discard_changes="sure" in request.POST, **who)

        return _go_back(
            request, restock, again, "Recalculated.", unchanged="The result is the same as before."
        )
    context = {
        "shop": the_shop(),
        "title": f"Recalculate the restock of {restock}?",
        "restock": restock,
        "changed": changed,
    }
    return render(request, "forecasting/restock_again.html", context)


def taken(
    request: HttpRequest,
    restock: Restock,
    form: QuantitiesForm,
    take: Callable[[], Done[Restock]],
    *,
    done: str,
    again: Callable[..., HttpResponse],
) -> HttpResponse:
    """Take a step when its form is valid, and go to the restock; else show the form with what is wrong."""
    if result := fill_in(request, form, take, done, unchanged="That was done already."):
        if any(line.open for line in result.order.lines.all()):
            messages.warning(request, "What did not arrive stays under way until somebody has found it.")
        warn(request, result.flags)
        return redirect("restocks:show", restock.pk)
    restock.refresh_from_db()
    return again(request, restock, form, status=400)


@require_POST
@for_roles(*STOCK_ROLES)
def take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """Undo the step that the person saw as the last one."""
    restock = restock_or_404(request, pk)
    _, undo = TAKE_BACK.get(request.POST.get("status", ""), ("", None))
    if undo is None:
        raise Http404
    return _go_back(request, restock, undo, "Taken back.")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask, then cancel a restock."""
    restock = restock_or_404(request, pk)
    if request.method == "POST":
        reason = request.POST.get("reason", "")[:200]
        return _go_back(
            request, restock, lambda pk, **who: approval.cancel(pk, reason=reason, **who), "Cancelled."
        )
    context = {"shop": the_shop(), "title": f"Cancel the restock of {restock}?", "restock": restock}
    return render(request, "forecasting/restock_cancel.html", context)


def _go_back(
    request: HttpRequest,
    restock: Restock,
    undo: Callable[..., Done[Restock]],
    said: str,
    unchanged: str = "That was done already.",
) -> HttpResponseRedirect:
    press(request, restock.pk, undo, said, unchanged=unchanged, refused_by=(CannotDraftError,))
    return redirect("restocks:show", restock.pk)


@require_safe
@for_roles(*EVERYONE)
def pick_list_as_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    """Send the pick list as a PDF."""
    restock = restock_or_404(request, pk)
    return download(pick_list_pdf(restock), file_name(restock, "pdf"), "application/pdf")


@require_safe
@for_roles(*EVERYONE)
def pick_list_as_csv(request: HttpRequest, pk: int) -> HttpResponse:
    """Send the pick list as CSV."""
    restock = restock_or_404(request, pk)
    return download(pick_list_csv(restock).encode(), file_name(restock, "csv"), CSV)
