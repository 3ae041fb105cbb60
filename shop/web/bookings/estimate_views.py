"""What a repair will take and what to ask for it: nothing is stored, the address says it all."""

from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from shop.common.amounts import quantity
from shop.estimating.prediction_intervals import Range
from shop.estimating.quote import Quote, QuoteTerms, quote
from shop.estimating.quote_text import rests_on, terms_of
from shop.models import Role, Shop, the_shop
from shop.people.permissions import for_roles, is_owner, person_of
from shop.web.bookings.work_form import EstimateForm, unit_for
from shop.web.tables import Cell, Column, Money, Table, numbers


@never_cache
@require_safe
@for_roles(Role.TECHNICIAN, Role.OWNER)
def estimate(request: HttpRequest) -> HttpResponse:
    """Show the form, and below it the estimate for its values."""
    shop = the_shop()
    is_asked = "damage_type" in request.GET
    unit = unit_for(request.GET, person_of(request), shop)
    form = EstimateForm(request.GET if is_asked else None, unit, shop.currency, initial=request.GET.dict())
    context: dict[str, Any] = {
        "title": "Estimate a repair",
        "shop": shop,
        "form": form,
        "sees_costs": is_owner(request.user),
    }
    if is_asked and form.is_valid():
        terms = terms_of(shop, unit)
        found = quote(form.asked(), form.seen(), form.cleaned_data["price"], terms, timezone.localdate())
        context |= _shown(found, terms, shop, sees_costs=context["sees_costs"])
        glass = form.cleaned_data["glass"]
        context["caution"] = glass.caution if glass else ""
        context["book"] = f"{reverse('intake:book')}?{urlencode(request.GET)}"
    return render(request, "shop/bookings/estimate.html", context, status=400 if form.errors else 200)


def _shown(found: Quote, terms: QuoteTerms, shop: Shop, *, sees_costs: bool) -> dict[str, Any]:
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
            caption="Time, without travel",
            columns=[Column("Work"), *numbers("Minutes")],
            rows=[[Cell(label), _cell(range_)] for label, range_ in time if range_],
        ),
        Table(
            caption="Discs by grade",
            columns=[Column("Grade"), *numbers("Discs", "Minutes on it")],
            rows=[
                [Cell(line.label), _cell(line.amount), _cell(line.minutes)]
                for line in found.discs
                if line.minutes
            ],
            empty="No discs are usual on such jobs.",
        ),
        Table(
            caption="What else it takes",
            columns=[Column("Consumable"), *numbers("Quantity")],
            rows=[[Cell(line.label), _cell(line.amount, unit=line.unit)] for line in found.others],
            empty="Nothing else is usual on such jobs.",
        ),
    ]


def _costs(found: Quote, written: Money, shop: Shop) -> list[Table]:
    total = found.total
    return [
        Table(
            caption="Cost without travel, at today's unit costs and rates; each line has its own median, so "
            "they need not add up",
            columns=[Column("Cost"), *numbers(shop.currency)],
            rows=[[Cell(name.capitalize()), _cell(range_, written)] for name, range_ in found.costs.items()],
            total=[Cell("All"), _cell(total, written)] if total else (),
        )
    ]


def _rounded(amount: Decimal) -> str:
    """Write an amount as an estimate deserves: whole, with one place below ten."""
    return quantity(amount.quantize(Decimal(1) if amount >= 10 else Decimal("0.1"), ROUND_HALF_UP))


def _cell(found: Range, written: Money = _rounded, unit: str = "") -> Cell:
    interval = ""
    if found.low is not None and found.high is not None:
        interval = f"{written(found.low)} to {written(found.high)}"
    return Cell(f"{written(found.median)} {unit}".strip(), note=interval, strong=True)


def _price_words(found: Quote, written: Money, shop: Shop, *, sees_costs: bool) -> list[str]:
    if found.asking is None:
        return []
    target = quantity(shop.target_margin_percent)
    said = [f"Net of tax, and without travel. It usually leaves the shop's target of {target}% of the price."]
    if found.asking_high is not None:
        said.append(f"{written(found.asking_high)} leaves it for 9 of 10 such jobs.")
    if found.list_price is not None:
        said.append(f"The list price is {written(found.list_price)}.")
    if found.price is not None and found.margin is not None and sees_costs:
        ratio = f" ({_percent(found.margin, found.price)})" if found.price else ""
        said.append(f"At {written(found.price)} it usually leaves {written(found.margin)}{ratio}.")
    return said


def _percent(margin: Decimal, price: Decimal) -> str:
    return f"{margin / price:.0%}".replace("-", "\N{MINUS SIGN}")
