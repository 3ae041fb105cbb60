"""Consumption against standard, which grades and whose jobs; and what counts found missing beyond it."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import forms
from django.db.models import Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory.decimals import ZERO
from inventory.models import Consumable, Place
from shop.accounting.periods import Period
from shop.accounting.shrinkage import FoundMissing, MissingRow, counted_in, differing, missing_by_month
from shop.common.amounts import quantity, share
from shop.common.pagination import page_by_key, page_of
from shop.costing.posted_costs import posted_costs
from shop.costing.standard_costs import CONSUMPTION_BY, ConsumptionLine, consumption_lines, labour_lines
from shop.costing.variances import direction
from shop.models import JobUse, Role, the_shop
from shop.people.permissions import for_roles
from shop.profitability.ratio_intervals import FEW_JOBS
from shop.web.charts import svg_response
from shop.web.code_select import CodeChoice
from shop.web.grouping_form import GROUPS
from shop.web.owner import margin_charts
from shop.web.owner.section_links import areas
from shop.web.period_form import PeriodForm
from shop.web.tables import Cell, Column, Money, Table, address, numbers, shop_money

ORDERS = {"cost": "Costliest excess first", "share": "Largest share first", "name": "Name"}
ASK = (
    "A difference has many causes: a use that nobody logged, stock given to another van without a transfer, "
    "a count that was wrong. Ask first."
)


class ConsumptionForm(PeriodForm):
    """The period, whose jobs, which grade or consumable, and the order."""

    by = forms.ChoiceField(
        label="Jobs by",
        choices=[(name, GROUPS[name].capitalize()) for name in CONSUMPTION_BY],
        required=False,
    )
    grade = forms.CharField(label="Grade or consumable", required=False, max_length=64)
    over = forms.BooleanField(label="Only above standard", required=False)
    sort = forms.ChoiceField(label="Order", choices=list(ORDERS.items()), required=False)

    def usual_choices(self) -> dict[str, Any]:
        """Return all consumables by technician, the costliest excess first."""
        return {"by": "technician", "grade": "", "over": False, "sort": "cost"}


@never_cache
@require_safe
@for_roles(Role.OWNER)
def consumption(request: HttpRequest) -> HttpResponse:
    """Show what jobs took of each consumable against their standard."""
    form = ConsumptionForm(request)
    by, written, shop = form.chosen("by"), shop_money(), the_shop()
    lines = _lines(form)
    page = page_of(request, lines, "page")
    spoilt = _spoilt(by, form.period)
    materials = Table(
        caption=f"Consumables by {GROUPS[by]}, {form.period}; variances in {shop.currency}",
        columns=[
            Column(GROUPS[by].capitalize()),
            Column("Consumable"),
            *numbers("Jobs", "Used", "Standard", "Above standard", "Spoilt", "Cost"),
            *numbers("By price", "By quantity"),
        ],
        rows=[_consumption_row(line, spoilt, written) for line in page],
        empty="No consumption fits.",
    )
    context = {
        "title": "Consumption against standard",
        "areas": areas(request),
        "shop": shop,
        "form": form,
        "intro": [
            "What jobs logged, against what their job types say they should take.",
            "U is unfavourable: it cost more than the standard; F is favourable.",
            f"Fewer than {FEW_JOBS} jobs say little. Harder damage takes more: compare like with like.",
        ],
        "tables": [materials, *([_labour_table(form, written)] if by == "job_type" else [])],
        "rows": page,
        "of": "consumables",
    }
    return render(request, "shop/owner/desk.html", context)


def _lines(form: ConsumptionForm) -> list[ConsumptionLine]:
    text, only_over = form.chosen("grade").lower(), bool(form.chosen("over"))
    lines = [
        line
        for line in consumption_lines(form.chosen("by"), form.period.start, form.period.end)
        if (not only_over or line.over > 0)
        and text in f"{line.consumable.grade} {line.consumable.code} {line.consumable.name}".lower()
    ]
    keys = {
        "cost": lambda line: -(line.variances.quantity if line.variances else ZERO),
        "share": lambda line: -(line.over / line.standard_quantity if line.standard_quantity else line.over),
        "name": lambda line: line.group,
    }
    lines.sort(key=keys[form.chosen("sort")])
    return lines


def _spoilt(by: str, period: Period) -> dict[tuple[str, str], Decimal]:
    """Return what was logged as spoilt by group and consumable. One query."""
    rows = (
        JobUse.objects.filter(
            document__in=posted_costs(period.start, period.end).values("document"),
            document__corrected_by__isnull=True,
            spoilt__gt=0,
        )
        .order_by()
        .values_list(f"document__job_cost__{by}__code", "consumable__code")
        .annotate(total=Sum("spoilt"))
    )
    return {(group, consumable): total for group, consumable, total in rows}


def _consumption_row(
    line: ConsumptionLine, spoilt: dict[tuple[str, str], Decimal], written: Money
) -> list[Cell]:
    unit = line.consumable.stock_unit
    over = line.over / line.standard_quantity if line.standard_quantity else None
    none = "no standard cost"
    return [
        Cell(line.group, tags=("few jobs",) if line.jobs < FEW_JOBS else ()),
        Cell(line.consumable.name, note=f"{line.consumable.grade} {line.consumable.code}".strip()),
        Cell(f"{line.jobs:,}"),
        Cell(f"{quantity(line.actual_quantity)} {unit}"),
        Cell(f"{quantity(line.standard_quantity)} {unit}"),
        Cell(share(over), note=f"{quantity(line.over)} {unit}", strong=line.over > 0),
        Cell(quantity(spoilt.get((line.group, line.consumable.code), ZERO))),
        Cell(written(line.actual_cost)),
        Cell(_variance(line.variances.price, written) if line.variances else none),
        Cell(_variance(line.variances.quantity, written) if line.variances else none),
    ]


def _variance(amount: Decimal, written: Money) -> str:
    return f"{written(abs(amount))} {direction(amount)[0].upper()}" if amount else written(amount)


def _labour_table(form: ConsumptionForm, written: Money) -> Table:
    rows = [
        [
            Cell(line.job_type, tags=("few jobs",) if line.jobs < FEW_JOBS else ()),
            Cell(f"{line.jobs:,}"),
            Cell(quantity(line.actual_minutes)),
            Cell(quantity(line.standard_minutes)),
            Cell(written(line.actual_cost)),
            Cell(_variance(line.variances.rate, written) if line.variances else "no rate"),
            Cell(_variance(line.variances.efficiency, written) if line.variances else "no rate"),
        ]
        for line in labour_lines(form.period.start, form.period.end)
    ]
    return Table(
        caption=f"Labour minutes by job type, {form.period}",
        columns=[
            Column("Job type"),
            *numbers("Jobs", "Minutes", "Standard", "Cost", "By rate", "By efficiency"),
        ],
        rows=rows,
        empty="No labour was logged.",
    )


@never_cache
@require_safe
@for_roles(Role.OWNER)
def missing(request: HttpRequest) -> HttpResponse:
    """Show what counts found missing beside what jobs logged, by place and consumable."""
    form = PeriodForm(request)
    shop, written = the_shop(), shop_money()
    page = page_of(request, FoundMissing(form.period), "page")
    months = [
        [Cell(f"{month:%Y-%m}"), Cell(written(value), strong=True)]
        for month, value in missing_by_month(form.period)
    ]
    context = {
        "title": "Shrinkage",
        "areas": areas(request),
        "shop": shop,
        "form": form,
        "intro": ["What counts found against the book, beside what jobs logged from the same place.", ASK],
        "chart": address("owner:missing-chart", **form.query) if months else "",
        "chart_text": f"Value found missing by month, {form.period}; the first table has the numbers.",
        "tables": [*([_months_table(months)] if months else []), _missing_table(page, form, written)],
        "rows": page,
        "of": "places and consumables",
    }
    return render(request, "shop/owner/desk.html", context)


def _months_table(months: list[list[Cell]]) -> Table:
    return Table(
        caption="Value found missing by month of the count",
        columns=[Column("Month"), *numbers("Value")],
        rows=months,
    )


def _missing_table(rows: Iterable[MissingRow], form: PeriodForm, written: Money) -> Table:
    return Table(
        caption=f"Counts of {form.period}, the costliest shrinkage first, in {the_shop().currency}",
        columns=[
            Column("Place"),
            Column("Consumable"),
            *numbers("Counts", "Missing", "Too much", "Net missing", "Logged by jobs", "Share", "Value"),
        ],
        rows=[_missing_row(row, form, written) for row in rows],
        empty="Nothing was counted in this period.",
    )


def _missing_row(row: MissingRow, form: PeriodForm, written: Money) -> list[Cell]:
    counts = address("owner:missing-counts", **form.query, place=row.place, consumable=row.consumable)
    return [
        Cell(row.place),
        Cell(row.name, counts, note=row.consumable, tags=("again and again",) if row.is_again else ()),
        Cell(f"{row.counts:,}", note=f"{row.counts_short:,} short"),
        Cell(quantity(row.short)),
        Cell(quantity(row.over)),
        Cell(f"{quantity(row.missing)} {row.unit}", strong=True),
        Cell(f"{quantity(row.logged)} {row.unit}"),
        Cell(share(row.share)),
        Cell(written(row.value)),
    ]


@never_cache
@require_safe
@for_roles(Role.OWNER)
def missing_chart(request: HttpRequest) -> HttpResponse:
    """Draw the value found missing by month."""
    form = PeriodForm(request)
    bars = [(f"{month:%Y-%m}", value) for month, value in missing_by_month(form.period)][-36:]
    return svg_response(margin_charts.monthly_bars(bars, f"missing, {the_shop().currency}", request))


class CountsForm(PeriodForm):
    """Which counts."""

    place = CodeChoice(Place.objects.all(), required=False)
    consumable = CodeChoice(Consumable.objects.all(), required=False)
    differing = forms.BooleanField(label="Only where a count differed", required=False)


@never_cache
@require_safe
@for_roles(Role.OWNER)
def missing_counts(request: HttpRequest) -> HttpResponse:
    """List the counts of a period, one by one."""
    form = CountsForm(request)
    lines = counted_in(form.period).select_related("document", "place", "consumable", "explanation")
    for name in ("place", "consumable"):
        if chosen := form.chosen(name):
            lines = lines.filter(**{name: chosen})
    if form.chosen("differing"):
        lines = differing(lines)
    page = page_by_key(request, lines.order_by("-counted_at", "-pk"), "page")
    written = shop_money()
    context = {
        "title": "Counts in detail",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "intro": [ASK],
        "tables": [
            Table(
                caption=f"Counts of {form.period}",
                columns=[
                    Column("Counted"),
                    *(Column("Place"), Column("Consumable")),
                    *numbers("Found", "Missing", "Value"),
                    Column("Explained"),
                ],
                rows=[_count_row(line, written) for line in page],
                empty="No count matches.",
            )
        ],
        "rows": page,
        "of": "counts",
    }
    return render(request, "shop/owner/desk.html", context)


def _count_row(line: Any, written: Money) -> list[Cell]:
    explanation = getattr(line, "explanation", None)
    differs = bool(line.missing)
    return [
        Cell(f"{timezone.localtime(line.counted_at):%Y-%m-%d %H:%M}", note=f"{line.document}"),
        Cell(line.place.code),
        Cell(line.consumable.name),
        Cell(f"{quantity(line.quantity)} {line.consumable.stock_unit}"),
        Cell(quantity(line.missing or ZERO), strong=differs),
        Cell(written(line.worth or ZERO)),
        Cell(
            explanation.cause if explanation else "not yet" if differs else "",
            address("store:explain", line.pk) if differs else "",
            note=explanation.note if explanation else "",
        ),
    ]
