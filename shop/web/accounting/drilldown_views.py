"""The rows behind the numbers of a reconciliation, and the open items."""

import json
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from inventory.decimals import ZERO
from inventory.models import Consumable, CostAdjustment, Document, Movement, RefusedDocument
from shop.accounting.period_reconciliation import (
    Part,
    late_documents,
    movements_of,
    open_provisional,
    reconcile_period,
    sign_of,
    total_of,
    within,
)
from shop.common.amounts import exact_money, quantity
from shop.common.job_content import as_sent
from shop.common.pagination import page_of
from shop.models import Role, the_shop
from shop.people.admin_log import note_change
from shop.people.permissions import for_roles, person_of
from shop.web.accounting.forms import BooksPeriodForm, LateForm
from shop.web.code_select import CodeChoice
from shop.web.owner.section_links import areas
from shop.web.tables import Cell, Column, Table, address, numbers, shop_money


class MovementsForm(BooksPeriodForm):
    """Which movements."""

    part = forms.ChoiceField(
        label="Part", choices=[(part.value, part.capitalize()) for part in Part], required=False
    )
    consumable = CodeChoice(Consumable.objects.all(), required=False, empty_label="All")

    def usual_choices(self) -> dict[str, Any]:
        """Return receipts of all consumables."""
        return {"part": Part.RECEIPTS.value, "consumable": ""}


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def movements(request: HttpRequest) -> HttpResponse:
    """List the movements that make one number of the reconciliation; they add up to it."""
    form = MovementsForm(request)
    part = Part(form.chosen("part"))
    found = movements_of(part, form.period)
    if consumable := form.chosen("consumable"):
        found = found.filter(consumable=consumable)
    page = page_of(
        request,
        found.select_related("document", "consumable", "source", "destination", "valued").order_by(
            "posted_at", "pk"
        ),
        "page",
    )
    total = sum_of(part, found)
    context = {
        "title": f"{part.capitalize()}, row by row",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "tables": [
            Table(
                caption=f"Movements that posted in {form.period}, in {the_shop().currency}",
                columns=[
                    *(Column("Document"), Column("Consumable"), Column("From and to")),
                    *numbers("Quantity", "Value"),
                ],
                rows=[_movement_row(part, movement) for movement in page],
                total=[Cell("All"), Cell(""), Cell(""), Cell(""), Cell(exact_money(total))],
                empty=f"No movement of this part posted in {form.period}.",
            )
        ],
        "rows": page,
        "of": "movements",
    }
    return render(request, "shop/owner/desk.html", context)


def sum_of(part: Part, found: Any) -> Decimal:
    """Return the value of movements of a part, what takes off it taken off. One query."""
    total = ZERO
    rows = (
        found.order_by().values_list("source__kind", "destination__kind").annotate(value=Sum("valued__value"))
    )
    for source, _, value in rows:
        total += sign_of(part, source) * value
    return total


def _movement_row(part: Part, movement: Movement) -> list[Cell]:
    sign = sign_of(part, movement.source.kind)
    posted = f"posted {timezone.localtime(movement.posted_at):%Y-%m-%d %H:%M}"
    return [
        Cell(f"{movement.document}", note=posted),
        Cell(movement.consumable.name, note=movement.consumable.code),
        Cell(f"{movement.source} to {movement.destination}"),
        Cell(f"{quantity(sign * movement.quantity)} {movement.consumable.stock_unit}"),
        Cell(
            exact_money(sign * movement.valued.value),
            tags=("provisional",) if movement.valued.provisional else (),
        ),
    ]


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def adjustments(request: HttpRequest) -> HttpResponse:
    """List what receipts settled: uses with a provisional value, and their final cost."""
    form = BooksPeriodForm(request)
    found = within(CostAdjustment.objects.all(), form.period)
    sums = found.aggregate(actual=Sum("actual"), valued=Sum("valued"))
    page = page_of(
        request,
        found.select_related("movement__document", "adjusts__document", "consumable").order_by(
            "posted_at", "pk"
        ),
        "page",
    )
    context = {
        "title": "Adjustments, row by row",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "tables": [
            Table(
                caption=f"Settled in {form.period}, in {the_shop().currency}",
                columns=[
                    *(Column("Use"), Column("Settled by"), Column("Consumable")),
                    *numbers("Quantity", "Provisional", "In the end", "Adjustment"),
                ],
                rows=[
                    [
                        Cell(f"{each.adjusts.document}"),
                        Cell(
                            f"{each.movement.document}",
                            note=f"posted {timezone.localtime(each.posted_at):%Y-%m-%d %H:%M}",
                        ),
                        Cell(each.consumable.name, note=each.consumable.code),
                        Cell(f"{quantity(each.quantity)} {each.consumable.stock_unit}"),
                        Cell(exact_money(each.valued)),
                        Cell(exact_money(each.actual)),
                        Cell(exact_money(each.amount), strong=True),
                    ]
                    for each in page
                ],
                total=[
                    *(Cell("All"), Cell(""), Cell(""), Cell("")),
                    Cell(exact_money(sums["valued"] or ZERO)),
                    Cell(exact_money(sums["actual"] or ZERO)),
                    Cell(exact_money((sums["actual"] or ZERO) - (sums["valued"] or ZERO))),
                ],
                empty="Nothing was settled in this period.",
            )
        ],
        "rows": page,
        "of": "adjustments",
    }
    return render(request, "shop/owner/desk.html", context)


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def stock(request: HttpRequest) -> HttpResponse:
    """Show the value of stock at both ends of a period, consumable by consumable."""
    form = BooksPeriodForm(request)
    found = reconcile_period(form.period)
    total = total_of(found.values())
    page = page_of(request, list(found.items()), "page")
    context = {
        "title": "Change of stock, row by row",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "tables": [
            Table(
                caption=f"Value of stock, {form.period}, in {the_shop().currency}",
                columns=[Column("Consumable"), *numbers("Before", "After", "Change")],
                rows=[
                    [
                        Cell(code),
                        Cell(exact_money(each.opening_stock)),
                        Cell(exact_money(each.closing_stock)),
                        Cell(exact_money(each.change_of_stock), strong=True),
                    ]
                    for code, each in page
                ],
                total=[
                    Cell("All"),
                    Cell(exact_money(total.opening_stock)),
                    Cell(exact_money(total.closing_stock)),
                    Cell(exact_money(total.change_of_stock)),
                ],
                empty="There was never any stock.",
            )
        ],
        "rows": page,
        "of": "consumables",
    }
    return render(request, "shop/owner/desk.html", context)


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def provisional(request: HttpRequest) -> HttpResponse:
    """List issues that still wait for their receipt."""
    form, written = BooksPeriodForm(request), shop_money()
    page = page_of(request, open_provisional(form.period), "page")
    context = {
        "title": "Provisional values",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "intro": [
            f"What left stock up to {form.period.end or 'now'} beyond what the books had:",
            "uses before their receipt, and receipts undone after use.",
            "They are valued at the last known cost until a receipt or a return settles them.",
        ],
        "tables": [
            Table(
                caption=f"Waiting for a receipt, in {the_shop().currency}",
                columns=[Column("Document"), Column("Consumable"), *numbers("Waits", "Valued so far")],
                rows=[
                    [
                        Cell(
                            f"{movement.document}",
                            note=f"posted {timezone.localtime(movement.posted_at):%Y-%m-%d %H:%M}",
                        ),
                        Cell(movement.consumable.name, note=f"from {movement.source}"),
                        Cell(f"{quantity(waits)} {movement.consumable.stock_unit}"),
                        Cell(written(value), tags=() if value else ("no cost known yet",)),
                    ]
                    for movement, waits, value in page
                ],
                empty="No value is provisional.",
            )
        ],
        "rows": page,
        "of": "uses",
    }
    return render(request, "shop/owner/desk.html", context)


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def late(request: HttpRequest) -> HttpResponse:
    """List documents of locked days that count in a later period: by default the open one."""
    form = LateForm(request)
    page = page_of(request, late_documents(form.period).order_by("-posted_at", "-pk"), "page")
    context = {
        "title": "Late documents",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "intro": ["Their day was locked when they came, so they count from the first open moment after it."],
        "tables": [
            Table(
                caption=f"Posted in {form.period}",
                columns=[
                    Column("Document"),
                    Column("Happened"),
                    Column("Counts from"),
                    Column("Came"),
                    Column("By"),
                ],
                rows=[_late_row(document) for document in page],
                empty="No document came late into this period.",
            )
        ],
        "rows": page,
        "of": "documents",
    }
    return render(request, "shop/owner/desk.html", context)


def _late_row(document: Document) -> list[Cell]:
    moments = (document.occurred_at, document.posted_at, document.recorded_at)
    return [
        Cell(f"{document}"),
        *(Cell(f"{timezone.localtime(moment):%Y-%m-%d %H:%M}") for moment in moments),
        Cell(document.recorded_by),
    ]


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def refused(request: HttpRequest) -> HttpResponse:
    """List documents refused because another one has their id."""
    show = request.GET.get("show", "")
    found = RefusedDocument.objects.order_by("-pk")
    if show != "all":
        found = found.filter(resolved_at__isnull=True)
    page = page_of(request, found, "page")
    context = {
        "title": "Refused documents",
        "areas": areas(request),
        "shop": the_shop(),
        "intro": [
            "Each came with the id of a document that says something else.",
            "Nothing of it was posted: compare the two, and settle it once the right one stands.",
        ],
        "links_here": [
            Cell("Only those waiting", address("accounts:refused"))
            if show == "all"
            else Cell("Settled ones too", address("accounts:refused", show="all"))
        ],
        "tables": [
            Table(
                caption="Refused, the latest first",
                columns=[Column("Document"), Column("Came"), Column("By"), Column("State")],
                rows=[
                    [
                        Cell(f"{each.kind} {each.client_id}", address("accounts:refused-one", each.pk)),
                        Cell(f"{timezone.localtime(each.refused_at):%Y-%m-%d %H:%M}"),
                        Cell(each.refused_by),
                        Cell(
                            f"settled {timezone.localtime(each.resolved_at):%Y-%m-%d}"
                            if each.resolved_at
                            else "waits"
                        ),
                    ]
                    for each in page
                ],
                empty="No refused document waits.",
            )
        ],
        "rows": page,
        "of": "documents",
    }
    return render(request, "shop/owner/desk.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def refused_one(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a refused document beside the one that stands; settle it, or let it wait again."""
    found = get_object_or_404(RefusedDocument, pk=pk)
    if request.method == "POST":
        settled = "again" not in request.POST
        found.resolved_at = timezone.now() if settled else None
        found.save(update_fields=["resolved_at"])
        note_change(person_of(request), found, "settled" if settled else "waits again")
        messages.success(
            request, f"{found.kind} {found.client_id} {'is settled' if settled else 'waits again'}."
        )
        return redirect("accounts:refused")
    standing = Document.objects.filter(kind=found.kind, client_id=found.client_id).first()
    context = {
        "title": f"Refused: {found.kind} {found.client_id}",
        "areas": areas(request),
        "shop": the_shop(),
        "found": found,
        "standing": standing,
        "refused_text": _shown(found.content),
        "standing_text": _shown(standing.content) if standing else "",
    }
    return render(request, "shop/accounting/refused.html", context)


def _shown(content: dict[str, Any]) -> str:
    """Return what a document said, a line for each thing."""
    try:
        said = as_sent(content)
    except (TypeError, ValueError):  # shown as it is, where a person is to find out what became of it
        said = content
    return json.dumps(said, indent=2, ensure_ascii=False, sort_keys=True)
