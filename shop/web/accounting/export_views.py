"""Files for the accountant: costing, stock, margins and variances of a period, as CSV."""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory.reports.stock_on_hand import stock_at
from shop.accounting.periods import ONE_DAY, Period
from shop.common.page_fields import EARLIEST, LATEST
from shop.costing.costing_rows import HEADER as COSTING_HEADER
from shop.costing.costing_rows import costing_rows
from shop.costing.formulas import AMOUNTS
from shop.costing.standard_costs import labour_lines, material_lines
from shop.exports.csv_response import csv_response
from shop.models import Role, start_of_day, the_shop
from shop.people.permissions import for_roles
from shop.profitability.margins import margins_of
from shop.web.grouping_form import GROUPS, GroupingForm
from shop.web.owner.section_links import areas
from shop.web.tables import Cell, Column, Table, address

Rows = Iterator[Sequence[object]]
MARGIN_FIGURES = ("jobs", *AMOUNTS, "contribution", "margin")
MARGIN_HEADER = ("group", *MARGIN_FIGURES, "ratio", "low", "high", "shrunk", "note")
MATERIAL_HEADER = (
    *("job_type", "consumable", "jobs", "actual_quantity", "standard_quantity", "actual_cost"),
    *("price_variance", "quantity_variance"),
)
LABOUR_HEADER = (
    *("job_type", "jobs", "actual_minutes", "standard_minutes", "actual_cost"),
    *("rate_variance", "efficiency_variance"),
)


class ExportForm(GroupingForm):
    """The period, by default the month before; margins by a grouping."""

    usual = "last month"


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def exports(request: HttpRequest) -> HttpResponse:
    """Offer the files of a period."""
    form = ExportForm(request)
    asked = form.query
    end = form.period.end or timezone.localdate()
    files = [
        ("Costing", "costing", "a row per job with revenue, costs and margin"),
        ("Stock", "stock", f"what each place held at the end of {end}, with its value"),
        ("Margins", "margins", f"by {GROUPS[form.by_]}, with 95% intervals and numbers of jobs"),
        (
            "Material variances",
            "material-variances",
            "price and quantity variance by job type and consumable",
        ),
        ("Labour variances", "labour-variances", "rate and efficiency variance by job type"),
    ]
    context = {
        "title": "Exports",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "intro": [
            "Comma-separated (RFC 4180), exact decimals, in UTF-8.",
            "A locked period always exports the same.",
        ],
        "tables": [
            Table(
                caption=f"Files of {form.period}",
                columns=[Column("File"), Column("What is in it")],
                rows=[
                    [Cell(label, address("accounts:export", name, **asked)), Cell(text)]
                    for label, name, text in files
                ],
            )
        ],
    }
    return render(request, "shop/owner/desk.html", context)


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def export(request: HttpRequest, name: str) -> HttpResponseBase:
    """Send one file, row by row."""
    form = ExportForm(request)
    if name not in FILES:
        raise Http404(f"{name!r} is not one of {', '.join(FILES)}")
    if form.errors:
        return HttpResponse(_problems(form), status=400, content_type="text/plain; charset=utf-8")
    header, rows = FILES[name]
    return csv_response(f"{name}-{_days(form.period)}.csv", header, lambda: rows(form))


def _problems(form: ExportForm) -> str:
    return "\n".join(f"{field}: {' '.join(map(str, found))}" for field, found in form.errors.items())


def _days(period: Period) -> str:
    """Return the days of a period for a file's name."""
    return f"{period.start or 'beginning'}-to-{period.end or timezone.localdate()}"


def _costing(form: ExportForm) -> Rows:
    return costing_rows(form.period.start or EARLIEST, form.period.end or LATEST)


def _stock(form: ExportForm) -> Rows:
    end = form.period.end or timezone.localdate()
    for row in stock_at(start_of_day(end + ONE_DAY) - datetime.resolution):
        yield row.place, row.consumable, row.quantity.normalize(), f"{row.value:.4f}"


def _margins(form: ExportForm) -> Rows:
    found = margins_of(form.by_, form.period.start, form.period.end, lifetime=form.lifetime_)
    for group in found:
        ratios = (group.ratio, group.low, group.high, group.shrunk)
        yield (
            group.label,
            *(getattr(group, figure) for figure in MARGIN_FIGURES),
            *(None if ratio is None else Decimal(f"{ratio:.6f}") for ratio in ratios),
            group.note,
        )


def _material_variances(form: ExportForm) -> Rows:
    for line in material_lines(form.period.start, form.period.end):
        yield (
            *(line.job_type, line.consumable, line.jobs),
            *(line.actual_quantity, line.standard_quantity, line.actual_cost),
            *((line.variances.price, line.variances.quantity) if line.variances else (None, None)),
        )


def _labour_variances(form: ExportForm) -> Rows:
    for line in labour_lines(form.period.start, form.period.end):
        yield (
            *(line.job_type, line.jobs, line.actual_minutes, line.standard_minutes, line.actual_cost),
            *((line.variances.rate, line.variances.efficiency) if line.variances else (None, None)),
        )


FILES: dict[str, tuple[Sequence[str], Callable[[ExportForm], Rows]]] = {
    "costing": (COSTING_HEADER, _costing),
    "stock": (("place", "consumable", "quantity", "value"), _stock),
    "margins": (MARGIN_HEADER, _margins),
    "material-variances": (MATERIAL_HEADER, _material_variances),
    "labour-variances": (LABOUR_HEADER, _labour_variances),
}
