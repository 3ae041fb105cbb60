"""Which periods are locked; locking and reopening them, with a page that says what that means."""

from datetime import date, datetime, time, tzinfo
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Sum
from django.db.models.functions import TruncMonth
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from inventory.decimals import ZERO
from inventory.ledger.period_lock import open_from
from inventory.models import Document, PeriodChange, RefusedDocument
from shop.accounting.period_close import (
    LONGEST_REASON,
    LockError,
    check_locking,
    check_reopening,
    lock_through,
    locked_text,
    reopen_from,
)
from shop.accounting.period_reconciliation import open_provisional
from shop.accounting.periods import ONE_DAY, Period, month_of, months_back, named
from shop.common.page_fields import DayField
from shop.common.pagination import page_of
from shop.common.text import counted
from shop.models import JobCost, Role, start_of_day, the_shop
from shop.people.permissions import for_roles, person_of
from shop.web.owner.section_links import areas
from shop.web.tables import Cell, Column, Table, address, numbers, shop_money

MONTHS_SHOWN = 24


class LockForm(forms.Form):
    """The last day to lock, and why."""

    day = DayField(label="Lock through the end of")
    reason = forms.CharField(
        label="Reason", required=False, help_text="kept with the change; may be left empty"
    )


class ReopenForm(forms.Form):
    """The first day to reopen, and why."""

    day = DayField(label="Reopen from")
    reason = forms.CharField(label="Reason", help_text="kept with the change", max_length=LONGEST_REASON)


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def periods(request: HttpRequest) -> HttpResponse:
    """Show how far the books are locked, the months with what they hold, and every change of the lock."""
    shop = the_shop()
    changes = page_of(request, PeriodChange.objects.order_by("-pk"), "page")
    locked_until = open_from()
    context = {
        "title": "Periods",
        "areas": areas(request),
        "shop": shop,
        "intro": [f"The books: {locked_text(locked_until, shop.zone)}."],
        "links_here": [
            Cell("Lock a period", address("accounts:lock")),
            *([Cell("Reopen", address("accounts:reopen"))] if locked_until else []),
        ],
        "tables": [
            _months_table(locked_until),
            Table(
                caption="Changes of the lock, the latest first",
                columns=[Column("When"), Column("What"), Column("Reason"), Column("By")],
                rows=[
                    [
                        Cell(f"{timezone.localtime(change.changed_at):%Y-%m-%d %H:%M}"),
                        Cell(locked_text(change.locked_until, shop.zone)),
                        Cell(change.reason),
                        Cell(change.changed_by),
                    ]
                    for change in changes
                ],
                empty="Nothing was ever locked.",
            ),
        ],
        "rows": changes,
        "of": "changes",
    }
    return render(request, "shop/owner/desk.html", context)


def _months_table(locked_until: datetime | None) -> Table:
    """Return the latest months from the first one on in which jobs posted. One query."""
    shop, written = the_shop(), shop_money()
    firsts = [
        day for month in months_back(timezone.localdate(), MONTHS_SHOWN) for day in [month.start] if day
    ]
    rows = (
        JobCost.objects.filter(posted_at__gte=start_of_day(firsts[-1]))
        .order_by()
        .annotate(month=TruncMonth("posted_at", tzinfo=shop.zone))
        .values_list("month")
        .annotate(jobs=Sum("jobs"), revenue=Sum("revenue"))
    )
    posted = {month.date(): (jobs, revenue) for month, jobs, revenue in rows}
    table_rows = []
    for first in firsts:
        if not posted or first < min(posted):
            break
        jobs, revenue = posted.get(first, (0, ZERO))
        look = address("accounts:reconciliation", start=first, end=month_of(first).end)
        state = _state(month_of(first), locked_until, shop.zone)
        table_rows.append(
            [
                Cell(f"{first:%Y-%m}"),
                Cell(state),
                Cell(f"{jobs:,}"),
                Cell(written(revenue)),
                Cell("Reconcile", look),
            ]
        )
    return Table(
        caption=f"The latest {MONTHS_SHOWN} months at most, in {shop.currency}",
        columns=[Column("Month"), Column("State"), *numbers("Jobs", "Revenue"), Column("Look closer")],
        rows=table_rows,
        empty="No job has posted yet.",
    )


def _state(month: Period, locked_until: datetime | None, zone: tzinfo) -> str:
    if locked_until is None or month.start is None or month.end is None:
        return "open"
    starts, is_over = (
        datetime.combine(day, time.min, tzinfo=zone) for day in (month.start, month.end + ONE_DAY)
    )
    if locked_until <= starts:
        return "open"
    return "locked" if locked_until >= is_over else "locked in part"


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def lock(request: HttpRequest) -> HttpResponse:
    """Lock the books through a day, after showing what that means."""
    now = timezone.now()
    form = LockForm(request.POST or None, initial={"day": named("last month", timezone.localdate()).end})
    context: dict[str, Any] = {
        "title": "Lock a period",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "action": "Lock",
    }
    if request.method == "POST" and form.is_valid():
        day, reason = form.cleaned_data["day"], form.cleaned_data["reason"]
        try:
            until = check_locking(day, reason, now)
            if "sure" not in request.POST:
                return render(
                    request, "shop/accounting/lock.html", {**context, **_before_locking(day, until)}
                )
            changed = lock_through(day, reason, by=person_of(request).get_username(), now=now)
        except LockError as error:
            form.add_error(None, _sentence(error))
        else:
            messages.success(request, f"The books are locked through {day}{'' if changed else ' already'}.")
            return redirect("accounts:periods")
    return render(request, "shop/accounting/lock.html", context, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def reopen(request: HttpRequest) -> HttpResponse:
    """Reopen the books from a day on, with a reason, after showing what that means."""
    now = timezone.now()
    form = ReopenForm(request.POST or None)
    context: dict[str, Any] = {
        "title": "Reopen the books",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "action": "Reopen",
    }
    if request.method == "POST" and form.is_valid():
        day, reason = form.cleaned_data["day"], form.cleaned_data["reason"]
        try:
            until = check_reopening(day, reason)
            if "sure" not in request.POST:
                return render(
                    request, "shop/accounting/lock.html", {**context, **_before_reopening(day, until)}
                )
            reopen_from(day, reason, by=person_of(request).get_username(), now=now)
        except LockError as error:
            form.add_error(None, _sentence(error))
        else:
            messages.success(request, f"The books are open from {day} on.")
            return redirect("accounts:periods")
    return render(request, "shop/accounting/lock.html", context, status=400 if form.errors else 200)


def _before_locking(day: date, until: datetime) -> dict[str, Any]:
    """Return what locking through a day means, and what is still open in it."""
    waiting = RefusedDocument.objects.filter(resolved_at__isnull=True).count()
    provisional = len(open_provisional(Period(end=day)))
    undone = []
    if provisional:
        undone.append(f"{counted(provisional, 'use')} still wait for a receipt to say what they cost.")
    if waiting:
        undone.append(f"{counted(waiting, 'refused document')} wait for a person.")
    return {
        "means": [
            f"Nothing dated up to {day} changes after that: values, job costs and exports stay as they are.",
            f"What comes late for these days counts from {day + ONE_DAY}, the first open day, and is listed.",
            "Rates start on the first open day or later.",
            "Anyone who may lock may reopen. The reason is recorded.",
        ],
        "undone": undone,
        "documents": Document.objects.filter(posted_at__lt=until).count(),
    }


def _before_reopening(day: date, until: datetime) -> dict[str, Any]:
    """Return what reopening from a day means here."""
    locked_until = open_from()
    documents = Document.objects.filter(posted_at__gte=until, posted_at__lt=locked_until).count()
    return {
        "means": [
            f"Figures from {day} on may change again. Export those already handed on again afterwards.",
            f"{counted(documents, 'document')} posted from then on would be open to change again.",
            "What came late meanwhile stays where it posted.",
        ]
    }


def _sentence(error: LockError) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}."
