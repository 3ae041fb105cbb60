"""What a repair will take and what to ask for it: nothing is stored, the address says it all."""

from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from shop.access import for_roles, is_owner
from shop.desk_tables import Cell, Column, Money, Table, numbers
from shop.estimates import LEVEL_PERCENT, Range
from shop.intake.quote_words import rests_on, terms_of
from shop.intake.work_form import EstimateForm
from shop.models import Role, Shop, the_shop
from shop.quotes import Line, Quote, Terms, quote
from shop.templatetags.amounts import quantity

USUALLY = numbers("Usually", f"{LEVEL_PERCENT}% interval")
NO_INTERVAL = "not known"


@never_cache
@require_safe
@for_roles(Role.TECHNICIAN, Role.OWNER)
def estimate(request: HttpRequest) -> HttpResponse:
    """Show the form, and beneath it the estimate of what it was filled in with."""
    shop = the_shop()
    is_asked = "damage_type" in request.GET
    form = EstimateForm(request.GET if is_asked else None, shop, initial=request.GET.dict())
    context: dict[str, Any] = {
        "title": "Estimate a repair",
        "shop": shop,
        "form": form,
        "sees_costs": is_owner(request.user),
    }
    if is_asked and form.is_valid():
        terms = terms_of(shop)
        found = quote(form.asked(), form.place(), form.cleaned_data["price"], terms, timezone.localdate())
        context |= _shown(found, terms, shop, sees_costs=context["sees_costs"])
        glass = form.cleaned_data["glass"]
        context["caution"] = glass.caution if glass else ""
        context["book"] = f"{reverse('intake:book')}?{urlencode(request.GET)}"
    return render(request, "shop/intake/estimate.html", context, status=400 if form.errors else 200)


def _shown(found: Quote, terms: Terms, shop: Shop, *, sees_costs: bool) -> dict[str, Any]:
    return {
        "quote": found,
        "rests_on": rests_on(found),
        "doubts": [doubt for doubt in found.doubts if sees_costs or not doubt.of_costs],
        "tables": [*_tables(found), *(_costs(found, terms.money, shop) if sees_costs else ())]
        if found.is_known
        else [],
        "asking": terms.money(found.asking) if found.asking is not None else "",
        "price_words": _price_words(found, terms.money, shop, sees_costs=sees_costs),
    }


def _tables(found: Quote) -> list[Table]:
    time = [("All labour", found.minutes), ("Of it, not on a grade", found.other_minutes)]
    return [
        Table(
            caption="Time in minutes, without travel",
            columns=[Column("Work"), *USUALLY],
            rows=[[Cell(label), *_cells(range_)] for label, range_ in time if range_],
        ),
        Table(
            caption="Discs by grade, and the minutes on each",
            columns=[
                Column("Grade"),
                *numbers("Discs usually", f"{LEVEL_PERCENT}% of discs", "Minutes usually"),
                *numbers(f"{LEVEL_PERCENT}% of minutes"),
            ],
            rows=[
                [Cell(line.label), *_cells(line.amount), *_cells(line.minutes)]
                for line in found.discs
                if line.minutes
            ],
            empty="No discs are usual on such jobs.",
        ),
        Table(
            caption="What else it takes",
            columns=[Column("Consumable"), *USUALLY],
            rows=[_other(line) for line in found.others],
            empty="Nothing else is usual on such jobs.",
        ),
    ]


def _other(line: Line) -> list[Cell]:
    usual, interval = _cells(line.amount)
    return [Cell(line.label), Cell(f"{usual.text} {line.unit}", strong=True), interval]


def _costs(found: Quote, written: Money, shop: Shop) -> Sequence[Table]:
    total = found.total
    return [
        Table(
            caption=f"Cost in {shop.currency}, without travel, at today's unit costs and rates. "
            "Each line has its own middle, so they need not add up.",
            columns=[Column("Cost"), *USUALLY],
            rows=[
                [Cell(name.capitalize()), *_cells(range_, written)] for name, range_ in found.costs.items()
            ],
            total=[Cell("All"), *_cells(total, written)] if total else (),
        )
    ]


def _rounded(amount: Decimal) -> str:
    """Write an amount as an estimate deserves: whole, with one place below ten."""
    return quantity(amount.quantize(Decimal(1) if amount >= 10 else Decimal("0.1"), ROUND_HALF_UP))


def _cells(found: Range | None, written: Money = _rounded) -> list[Cell]:
    if found is None:
        return [Cell(""), Cell("")]
    interval = NO_INTERVAL
    if found.low is not None and found.high is not None:
        interval = f"{written(found.low)} to {written(found.high)}"
    return [Cell(written(found.median), strong=True), Cell(interval)]


def _price_words(found: Quote, written: Money, shop: Shop, *, sees_costs: bool) -> list[str]:
    if found.asking is None:
        return []
    target = quantity(shop.target_margin_percent)
    said = [f"Net of tax, and without travel. It usually leaves the shop's target of {target}% of the price."]
    if found.asking_high is not None:
        said.append(f"{written(found.asking_high)} leaves it for 9 of 10 such jobs.")
    if found.price is not None and found.margin is not None and sees_costs:
        ratio = f" ({_percent(found.margin, found.price)})" if found.price else ""
        said.append(f"At {written(found.price)} it usually leaves {written(found.margin)}{ratio}.")
    return said


def _percent(margin: Decimal, price: Decimal) -> str:
    return f"{margin / price:.0%}".replace("-", "\N{MINUS SIGN}")
