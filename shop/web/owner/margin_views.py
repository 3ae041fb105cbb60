"""Margins of groups of jobs, and what moved since the period before: pages and their charts."""

from datetime import timedelta
from typing import Any

from django.db.models import Min
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from shop.accounting.periods import Period
from shop.common.amounts import percent
from shop.common.pagination import page_of
from shop.common.text import exact
from shop.costing.formulas import JobCosts
from shop.models import JobCost, Role, Shop, in_shop_zone, the_shop
from shop.people.permissions import for_roles
from shop.profitability.margins import GroupMargin, Margins, margins_of
from shop.profitability.period_comparison import MarginChange, moves
from shop.profitability.ratio_difference import RatioChange
from shop.web.charts import svg_response
from shop.web.grouping_form import GROUPS, GroupingForm, SortedGroupingForm, shown
from shop.web.margin_bars import bar_for, margin_row
from shop.web.owner import margin_charts
from shop.web.owner.section_links import areas
from shop.web.tables import (
    COST_COLUMNS,
    Cell,
    Column,
    Money,
    Scale,
    Table,
    address,
    cost_cells,
    numbers,
    scale_for,
    shop_money,
)

MOST_IN_CHART = 20
# A shop may have begun its first month with a week without jobs.
QUIET = timedelta(days=7)


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def margins(request: HttpRequest) -> HttpResponse:
    """Show what each group of jobs earned and cost, with its interval."""
    form = SortedGroupingForm(request)
    shop, found = the_shop(), _found(form, form.period)
    _sort(found, form.chosen("sort"))
    page = page_of(request, found, "page")
    total = found.total()
    target = float(shop.target_margin_percent) / 100
    scale = scale_for(bar_for([*page, total], target), target)
    written = shop_money()
    context = {
        "title": f"Margin by {GROUPS[form.by_]}",
        "areas": areas(request),
        "form": form,
        "intro": _intro(form),
        "chart": address("owner:margins-chart", **form.query),
        "chart_text": _chart_text(form, total),
        "tables": [
            Table(
                caption=f"Jobs of {form.period}, in {shop.currency}. Bars show the margin ratio with its 95% "
                f"interval, from {percent(scale.bar.low)} to {percent(scale.bar.high)} of revenue; the amber "
                f"mark is the target of {exact(shop.target_margin_percent)}%.",
                columns=[
                    Column(GROUPS[form.by_].capitalize()),
                    *numbers("Jobs"),
                    *COST_COLUMNS,
                    Column("Ratio"),
                ],
                rows=[_row(group, form, scale, written) for group in page],
                total=[
                    Cell("All", address("owner:jobs", **{**form.query, "by": ""})),
                    *_figures(total, scale, written),
                ],
                empty="No job posted anything in this period.",
                scale=scale,
            )
        ],
        "rows": page,
        "of": "groups",
        "shop": shop,
    }
    return render(request, "shop/owner/desk.html", _without_empty_chart(context, len(found)))


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def margins_chart(request: HttpRequest) -> HttpResponse:
    """Draw the margin ratios of the groups with the most revenue; months as a line over time."""
    form = GroupingForm(request)
    found, target = _found(form, form.period), float(the_shop().target_margin_percent) / 100
    if form.by_ == "month":
        return svg_response(margin_charts.months(found[-36:], target, request))
    _sort(found, "-revenue")
    return svg_response(margin_charts.ratios(found[:MOST_IN_CHART], target, request))


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def changes(request: HttpRequest) -> HttpResponse:
    """Show by how much each group's margin moved since the period of the same length before."""
    form = GroupingForm(request)
    shop, before = the_shop(), form.period.before
    context: dict[str, Any] = {"title": "Margin changes", "areas": areas(request), "form": form, "shop": shop}
    if before is None or form.by_ == "month":
        why = (
            "Months follow one another; choose another grouping to compare them."
            if form.by_ == "month"
            else "All time has no period before it. Choose a first and a last day to compare."
        )
        return render(request, "shop/owner/desk.html", {**context, "intro": [why]})
    found = moves(_found(form, form.period), _found(form, before))
    page = page_of(request, found, "page")
    written = shop_money()
    context |= {
        "intro": [
            f"Jobs of {form.period} against those of {before}, the same length before.",
            *_before_the_books(before, shop),
            "A change of the ratio is clear when its 95% interval leaves out 0; money is exact.",
        ],
        "chart": address("owner:changes-chart", **form.query),
        "chart_text": f"Change of the margin by {GROUPS[form.by_]}; the table below has the numbers.",
        "tables": [
            Table(
                caption=f"Change by {GROUPS[form.by_]}, in {shop.currency}, the largest first",
                columns=[
                    Column(GROUPS[form.by_].capitalize()),
                    *numbers("Jobs", "Jobs before", "Margin", "Margin before", "Change"),
                    *numbers("From revenue", "From costs", "Ratio", "Ratio before"),
                    Column("Change of the ratio"),
                ],
                rows=[_move_cells(move, form, before, written) for move in page],
                total=_move_cells(found.total(), form, before, written),
                empty="No job posted anything in either period.",
            )
        ],
        "rows": page,
        "of": "groups",
    }
    return render(request, "shop/owner/desk.html", _without_empty_chart(context, len(found)))


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.ACCOUNTANT)
def changes_chart(request: HttpRequest) -> HttpResponse:
    """Draw the largest changes of margin in money."""
    form = GroupingForm(request)
    before = form.period.before
    found = moves(_found(form, form.period), _found(form, before)) if before else None
    bars = [(shown(move.label), move.margin_change) for move in found[:MOST_IN_CHART]] if found else []
    return svg_response(margin_charts.changes(bars, the_shop().currency, request))


def _before_the_books(period: Period, shop: Shop) -> list[str]:
    """Return a warning where a period begins well before the first job, which no quiet week explains."""
    first = JobCost.objects.aggregate(first=Min("posted_at"))["first"]
    if first is None or period.start is None:
        return []
    day = in_shop_zone(first, shop).date()
    if day - period.start < QUIET:
        return []
    return [f"The first job is of {day}, so the period before is not whole: a change against it says little."]


def _found(form: GroupingForm, period: Period) -> Margins:
    return margins_of(form.by_, period.start, period.end, lifetime=form.lifetime_)


def _sort(found: Margins, sort: str) -> None:
    name = sort.removeprefix("-")

    def figure(costs: JobCosts, jobs: int) -> Any:
        return jobs if name == "jobs" else getattr(costs, name)

    if name != "label":
        found.sort(figure, descending=sort.startswith("-"))


def _intro(form: GroupingForm) -> list[str]:
    if not form.lifetime_:
        return []
    return [
        "Callbacks count in the group of the job they repeat: a group bears what its work brought after it."
    ]


def _chart_text(form: GroupingForm, total: GroupMargin) -> str:
    return (
        f"Margin ratio by {GROUPS[form.by_]} with 95% intervals, {form.period}; "
        f"{percent(total.ratio)} over all {total.jobs:,} jobs. The table below has the numbers."
    )


def _without_empty_chart(context: dict[str, Any], groups: int) -> dict[str, Any]:
    return context if groups else {**context, "chart": ""}


def _row(group: GroupMargin, form: GroupingForm, scale: Scale, written: Money) -> list[Cell]:
    jobs = address("owner:jobs", **form.query, group=group.label)
    return [Cell(shown(group.label), jobs), *_figures(group, scale, written)]


def _figures(group: GroupMargin, scale: Scale, written: Money) -> list[Cell]:
    costs = JobCosts(group.revenue, group.materials, group.wear, group.labour, group.travel, group.overhead)
    return [
        Cell(f"{group.jobs:,}"),
        *cost_cells(costs, written),
        Cell("", row=margin_row(group, scale.bar)),
    ]


def _move_cells(move: MarginChange, form: GroupingForm, before: Period, written: Money) -> list[Cell]:
    then = {**form.query, "period": "", "start": before.start, "end": before.end}
    group = "" if move.is_total else move.label
    by = "" if move.is_total else form.by_
    return [
        Cell(
            shown(move.label) if group else "All",
            address("owner:jobs", **{**form.query, "by": by}, group=group),
        ),
        Cell(f"{move.jobs:,}"),
        Cell(f"{move.jobs_before:,}", address("owner:jobs", **{**then, "by": by}, group=group)),
        Cell(written(move.margin)),
        Cell(written(move.margin_before)),
        Cell(written(move.margin_change), strong=True),
        Cell(written(move.from_revenue)),
        Cell(written(move.from_costs)),
        Cell(percent(move.ratio_now)),
        Cell(percent(move.ratio_before)),
        change_cell(move.ratio),
    ]


def change_cell(change: RatioChange) -> Cell:
    """Return what to show of a change of the ratio; only what clearly got worse asks for a look."""
    note = change.note
    if change.low is not None and change.high is not None:
        note = f"{_points(change.low)} to {_points(change.high)} {note}".strip()
    points = change.change or 0.0
    return Cell(
        "" if change.change is None else f"{_points(points)} points",
        note=note,
        tags=("clearly worse",) if change.is_clear and points < 0 else (),
        good="clearly better" if change.is_clear and points > 0 else "",
    )


def _points(change: float) -> str:
    """Return a change of a ratio in points of a hundredth, with its sign."""
    return f"{100 * change:+.1f}".replace("-", "\N{MINUS SIGN}")
