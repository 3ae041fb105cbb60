"""Kinds of job that lose money or miss the target, and the price or saving that reaches it."""

from collections.abc import Sequence
from decimal import Decimal

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from shop.common.amounts import percent, share
from shop.common.pagination import page_of
from shop.common.text import exact
from shop.costing.formulas import JobCosts
from shop.models import Role, the_shop
from shop.people.permissions import for_roles
from shop.profitability.finished_price import FinishedPrice
from shop.profitability.margins import GroupMargin, margins_of
from shop.profitability.price_report import price_report
from shop.profitability.ratio_intervals import FEW_JOBS
from shop.profitability.target_savings import JobKind, TargetSavings, savings_to_target
from shop.web.grouping_form import CHOICES, GROUPS, GroupingForm, shown
from shop.web.owner.section_links import areas
from shop.web.tables import Cell, Column, Money, Table, address, numbers, shop_money


class KindsForm(GroupingForm):
    """Kinds of job; a month is none."""

    by = forms.ChoiceField(
        label="Kinds by", choices=[choice for choice in CHOICES if choice[0] != "month"], required=False
    )


@never_cache
@require_safe
@for_roles(Role.OWNER)
def target_prices(request: HttpRequest) -> HttpResponse:
    """Show the kinds that miss the target, the largest shortfall first, and what brings each there."""
    form = KindsForm(request)
    shop, written = the_shop(), shop_money()
    target = shop.target_margin_percent
    page = page_of(request, _below(form, target), "page")
    prices = price_report(form.by_, form.period.start, form.period.end, lifetime=form.lifetime_)
    words = f"{exact(target)}%"
    table = Table(
        caption=f"By {GROUPS[form.by_]}, {form.period}, in {shop.currency}",
        columns=[
            Column(GROUPS[form.by_].capitalize()),
            *numbers("Jobs", "Margin", "Ratio", "Short of target", "Finished", "Mean price"),
            *numbers("Price without loss", "Price for the target"),
            *numbers("Or materials and wear less by", "Or other costs less by"),
        ],
        rows=[_row(group, form, prices[group.label], _savings(group, target), written) for group in page],
        empty=f"Every kind of job of {form.period} reaches the target of {words}, or there was none.",
    )
    context = {
        "title": "Target prices",
        "areas": areas(request),
        "shop": shop,
        "form": form,
        "intro": [
            f"Kinds below the target of {words} of revenue, the largest shortfall first.",
            "Prices are of finished jobs (removed or reduced, no callback), which carry the others' cost.",
            "Each remedy stands alone: everything else stays as it is.",
            f"Fewer than {FEW_JOBS} jobs say little: look at the jobs before changing a price.",
        ],
        "tables": [table],
        "rows": page,
        "of": "kinds",
    }
    return render(request, "shop/owner/desk.html", context)


def _below(form: KindsForm, target_percent: Decimal) -> Sequence[GroupMargin]:
    """Return the groups that miss the target, the largest shortfall first."""
    found = margins_of(form.by_, form.period.start, form.period.end, lifetime=form.lifetime_)

    def beyond_target(costs: JobCosts, _jobs: int = 0) -> Decimal:
        return costs.margin - costs.revenue * target_percent / 100

    found.sort(beyond_target)
    return found[: sum(beyond_target(costs) < 0 for _, _, costs in found.sums())]


def _savings(group: GroupMargin, target_percent: Decimal) -> TargetSavings:
    consumption = group.materials + group.wear
    other = group.labour + group.travel + group.overhead
    kind = JobKind(group.jobs, group.revenue, consumption, other, group.low, group.high)
    return savings_to_target(kind, target_percent)


def _row(
    group: GroupMargin, form: KindsForm, price: FinishedPrice, found: TargetSavings, written: Money
) -> list[Cell]:
    interval = "" if group.low is None else f"{percent(group.low)} to {percent(group.high)}"
    reach = (
        "" if price.low is None or price.high is None else f"{written(price.low)} to {written(price.high)}"
    )
    not_enough = "not enough"
    return [
        Cell(
            shown(group.label),
            address("owner:jobs", **form.query, group=group.label, sort="margin"),
            note=found.verdict,
            tags=("few jobs",) if found.few_jobs else (),
        ),
        Cell(f"{group.jobs:,}"),
        Cell(written(group.margin), strong=True),
        Cell(percent(group.ratio), note=interval),
        Cell(written(found.shortfall)),
        Cell(f"{price.finished:,}", note=f"{price.failed:,} failed" if price.failed else ""),
        Cell("" if price.now is None else written(price.now)),
        Cell("no price" if price.no_loss is None else written(price.no_loss)),
        Cell("no price" if price.for_target is None else written(price.for_target), note=reach, strong=True),
        Cell(not_enough if found.consumption_cut is None else share(found.consumption_cut)),
        Cell(not_enough if found.other_cut is None else share(found.other_cut)),
    ]
