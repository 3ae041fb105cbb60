"""What an hour, a month and a travel minute cost from a day on: pages to see and to set it."""

from dataclasses import dataclass
from datetime import date
from typing import Any, TypeVar

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Page
from django.db.models import F, Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from inventory.documents import LARGEST_MONEY
from shop.common.amounts import quantity
from shop.common.page_fields import DayField
from shop.common.pagination import page_of
from shop.costing.rates import (
    check_rates,
    first_open_day,
    labour_rate,
    overhead_rate,
    overtaken,
    save_rates,
    without_rate,
)
from shop.models import (
    BEGINNING,
    JobCost,
    LabourRate,
    OverheadRate,
    Role,
    Shop,
    Technician,
    start_of_day,
    the_shop,
)
from shop.people.admin_log import note_change
from shop.people.permissions import for_roles, person_of
from shop.web.code_select import CodeChoice
from shop.web.form_errors import add_errors
from shop.web.owner.section_links import areas
from shop.web.tables import Cell, Column, Money, Table, address, numbers, shop_money

FIGURES = ("monthly_overhead", "capacity_minutes", "vehicle_per_minute")
# A longer list of names does not help the reader.
MOST_NAMED = 20

Rate = TypeVar("Rate", bound=Model)


class RatesForm(forms.Form):
    """Whose labour rates to show."""

    technician = CodeChoice(Technician.objects.all(), required=False, empty_label="All")


class RateForm(forms.Form):
    """The day from which a rate is in force."""

    effective_from = DayField(label="In force from")


class LabourRateForm(RateForm):
    """What an hour of a technician costs."""

    technician = CodeChoice(
        Technician.objects.all(), required=False, empty_label="All without a rate of their own"
    )
    per_hour = forms.DecimalField(
        label="Cost of an hour",
        help_text="wages with all that comes on top of them",
        max_value=LARGEST_MONEY,
        decimal_places=4,
    )
    field_order = ("technician", "per_hour", "effective_from")

    def made(self) -> tuple[LabourRate | OverheadRate, list[str]]:
        """Return the rate, unsaved, and the figures given."""
        said = self.cleaned_data
        return labour_rate(said["per_hour"], said["effective_from"], said["technician"]), ["per_hour"]


class OverheadRateForm(RateForm):
    """What the shop costs in a month besides, and what driving does."""

    monthly_overhead = forms.DecimalField(
        label="Overhead of a month",
        help_text="rent, insurance, office",
        max_value=LARGEST_MONEY,
        decimal_places=4,
        required=False,
    )
    capacity_minutes = forms.DecimalField(
        label="Labour minutes the shop can practically do in a month",
        max_value=LARGEST_MONEY,
        decimal_places=4,
        required=False,
    )
    vehicle_per_minute = forms.DecimalField(
        label="Cost of a minute of driving",
        help_text="besides the technician",
        max_value=LARGEST_MONEY,
        decimal_places=4,
        required=False,
    )
    field_order = (*FIGURES, "effective_from")

    def clean(self) -> dict[str, Any]:
        """Refuse a rate without any figure."""
        cleaned = super().clean() or {}
        if not self.errors and all(cleaned.get(name) is None for name in FIGURES):
            raise ValidationError(
                "Give at least one of the three figures; what is left empty stays as it is."
            )
        return cleaned

    def made(self) -> tuple[LabourRate | OverheadRate, list[str]]:
        """Return the rate, unsaved, and the figures given. Raises ValidationError; see overhead_rate."""
        given = {name: self.cleaned_data[name] for name in FIGURES if self.cleaned_data[name] is not None}
        return overhead_rate(self.cleaned_data["effective_from"], **given), list(given)


@never_cache
@require_safe
@for_roles(Role.OWNER)
def rates(request: HttpRequest) -> HttpResponse:
    """Show all dated rates, which are in force, and from when others will be."""
    shop, written, today = the_shop(), shop_money(), timezone.localdate()
    form = RatesForm(request.GET)
    whose = form.cleaned_data["technician"] if form.is_valid() else None
    labour = LabourRate.objects.select_related("technician").order_by(
        F("technician__code").asc(nulls_first=True), "-effective_from"
    )
    if whose:
        labour = labour.filter(technician=whose)
    labour_page = page_of(request, labour, "labour")
    overhead_page = page_of(request, OverheadRate.objects.order_by("-effective_from"), "overhead")
    context = {
        "title": "Rates",
        "areas": areas(request),
        "shop": shop,
        "form": form,
        "intro": [
            "A job is costed by the rates in force on the day it was closed.",
            "A new rate never changes a locked period.",
        ],
        "warnings": _warnings(without_rate()),
        "links_here": [
            Cell("Set a labour rate", address("owner:labour-rate")),
            Cell("Set overhead and driving", address("owner:overhead-rate")),
        ],
        "labour": labour_page,
        "labour_table": _labour_table(_with_next(labour_page), whose, today, written, shop),
        "overhead": overhead_page,
        "overhead_table": _overhead_table(_with_next(overhead_page), today, written, shop),
    }
    return render(request, "shop/owner/rates.html", context)


def _warnings(idle: list[str]) -> list[str]:
    if not idle:
        return []
    more = f" and {len(idle) - MOST_NAMED:,} more" if len(idle) > MOST_NAMED else ""
    return [
        "Without a labour rate, so their time costs nothing: " + ", ".join(idle[:MOST_NAMED]) + f"{more}."
    ]


def _with_next(page: Page[Rate]) -> list[tuple[Rate, Rate | None]]:
    """Return the rates of a page, the latest first, each with the one that followed it.

    That is the row above; for the first row it stands on the page before.
    """
    start, end = page.start_index(), page.end_index()
    if start > 1:
        rows = list(page.paginator.object_list[start - 2 : end])
        return list(zip(rows[1:], rows, strict=False))
    rows = list(page)
    return list(zip(rows, [None, *rows], strict=False))


def _labour_table(
    rates: list[tuple[LabourRate, LabourRate | None]],
    whose: Technician | None,
    today: date,
    written: Money,
    shop: Shop,
) -> Table:
    rows = []
    for rate, after in rates:
        until = after.effective_from if after and after.technician_id == rate.technician_id else None
        rows.append(
            [
                Cell(f"{rate.technician or 'All without their own'}"),
                Cell(written(rate.per_hour), strong=True),
                *_in_force(rate.effective_from, until, today),
            ]
        )
    return Table(
        caption=f"Cost of an hour of labour, in {shop.currency}",
        columns=[Column("Whose"), *numbers("Per hour"), Column("From"), Column("Until")],
        rows=rows,
        empty=f"{whose} has no labour rate of their own: that of all counts."
        if whose
        else "No labour rate is set: time costs nothing yet.",
    )


def _overhead_table(
    rates: list[tuple[OverheadRate, OverheadRate | None]], today: date, written: Money, shop: Shop
) -> Table:
    rows = []
    for rate, after in rates:
        since, until = _in_force(rate.effective_from, after.effective_from if after else None, today)
        rows.append(
            [
                since,
                until,
                Cell(written(rate.monthly_overhead), strong=True),
                Cell(quantity(rate.capacity_minutes)),
                Cell(f"{quantity(rate.monthly_overhead / rate.capacity_minutes)[:8]}"),
                Cell(quantity(rate.vehicle_per_minute)),
            ]
        )
    return Table(
        caption=f"Overhead and driving, in {shop.currency}",
        columns=[
            Column("From"),
            Column("Until"),
            *numbers("Overhead a month", "Over labour minutes", "That is a minute", "A minute of driving"),
        ],
        rows=rows,
        empty="No overhead is set: jobs bear none yet.",
    )


def _in_force(since: date, until: date | None, today: date) -> tuple[Cell, Cell]:
    """Return the cells of from and until, with whether it is in force today."""
    in_force = since <= today and (until is None or today < until)
    cell = Cell(
        "the beginning" if since == BEGINNING else f"{since}",
        good="in force" if in_force else "",
        note="to come" if since > today else "",
    )
    return cell, Cell(f"before {until}" if until else "further on")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def set_labour_rate(request: HttpRequest) -> HttpResponse:
    """Set what an hour costs from a day on."""
    return _set_rate(request, LabourRateForm, "Set a labour rate")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def set_overhead_rate(request: HttpRequest) -> HttpResponse:
    """Set overhead, capacity and the cost of driving from a day on."""
    return _set_rate(request, OverheadRateForm, "Set overhead and driving")


@dataclass(frozen=True, slots=True)
class RateEffect:
    """What saving a rate changes: jobs costed again from its day on, and whether it replaces that day's."""

    jobs: int
    replaces: bool


def _set_rate(
    request: HttpRequest, form_class: type[LabourRateForm | OverheadRateForm], title: str
) -> HttpResponse:
    shop = the_shop()
    first = first_open_day(shop.zone)
    form = form_class(request.POST or None, initial={"effective_from": max(timezone.localdate(), first)})
    context = {"title": title, "areas": areas(request), "shop": shop, "form": form, "first": first}
    context["is_locked"] = first != BEGINNING
    if request.method == "POST" and form.is_valid():
        try:
            rate, figures = form.made()
            check_rates([rate], shop.zone)
            effect = _effect(rate)
            if (effect.jobs or effect.replaces) and "sure" not in request.POST:
                return render(request, "shop/owner/rate.html", {**context, "effect": effect, "rate": rate})
            save_rates([rate], shop.zone)
        except ValidationError as error:
            add_errors(form, error)
        else:
            note_change(person_of(request), rate, f"set {rate}")
            messages.success(request, f"Set: {rate}. Jobs costed again: {effect.jobs:,}.")
            for figure in figures:
                if found := overtaken(rate, figure):
                    messages.warning(request, f"Only until then: {found}.")
            return redirect("owner:rates")
    return render(request, "shop/owner/rate.html", context, status=400 if form.errors else 200)


def _effect(rate: LabourRate | OverheadRate) -> RateEffect:
    jobs = JobCost.objects.filter(jobs=1, posted_at__gte=start_of_day(rate.effective_from))
    if isinstance(rate, LabourRate) and rate.technician is not None:
        jobs = jobs.filter(technician=rate.technician)
    return RateEffect(jobs.count(), rate.pk is not None)
