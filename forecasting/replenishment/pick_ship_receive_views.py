"""Pages that move stock: picking at the depot, confirming on the van, and settling what did not arrive."""

from collections.abc import Callable, Sequence
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from forecasting.models import Restock, RestockLine, RestockStatus
from forecasting.replenishment import pick_ship_receive
from forecasting.replenishment.discrepancies import settle
from forecasting.replenishment.forms import DifferencesForm, QuantitiesForm
from forecasting.replenishment.queries import STOCK, VAN_AND_STOCK
from forecasting.replenishment.steps import Done, StepConflict, StepRefused
from forecasting.replenishment.views import lines_of, restock_or_404, taken
from inventory.ledger import Refused
from inventory.models import Holding
from shop.models import the_shop
from shop.people.permissions import for_roles, person_of


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK)
def pick(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what to take out of the depot, and send it on its way."""
    restock = restock_or_404(request, pk)
    if request.method != "POST":
        if restock.status != RestockStatus.APPROVED:
            return _elsewhere(request, restock, "Only an approved restock can be picked")
        return _pick(request, restock, _quantities(None, restock, "picked", lambda line: line.approved))
    form = _quantities(request.POST, restock, "picked", lambda line: line.approved)

    def take() -> Done:
        by = person_of(request).get_username()
        return pick_ship_receive.pick(pk, form.quantities(), by=by, now=timezone.now())

    return taken(request, restock, form, take, done="Picked: it is under way to the van.", again=_pick)


def _pick(request: HttpRequest, restock: Restock, form: QuantitiesForm, status: int = 200) -> HttpResponse:
    held = dict(Holding.objects.filter(place=restock.depot).values_list("consumable_id", "quantity"))
    rows = [(line, field, held.get(line.consumable_id, 0)) for line, field in form.rows()]
    context = {
        "shop": the_shop(),
        "title": f"Pick for {restock.van}, {restock.period}",
        "restock": restock,
        "form": form,
        "rows": [row for row in rows if row[0].approved or row[1].errors],
        "others": [row for row in rows if not (row[0].approved or row[1].errors)],
    }
    return render(request, "forecasting/restock_pick.html", context, status=status)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*VAN_AND_STOCK)
def confirm(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what should arrive, and take on board what did."""
    restock = restock_or_404(request, pk)
    if request.method != "POST":
        if restock.status != RestockStatus.UNDER_WAY:
            return _elsewhere(request, restock, "Only what is under way can be confirmed")
        return _confirm(request, restock, _quantities(None, restock, "arrived", lambda line: line.picked))
    form = _quantities(request.POST, restock, "arrived", lambda line: line.picked)

    def take() -> Done:
        by = person_of(request).get_username()
        return pick_ship_receive.confirm(pk, form.quantities(), by=by, now=timezone.now())

    return taken(request, restock, form, take, done="On board.", again=_confirm)


def _confirm(request: HttpRequest, restock: Restock, form: QuantitiesForm, status: int = 200) -> HttpResponse:
    rows = form.rows()
    context = {
        "shop": the_shop(),
        "title": f"What arrived on {restock.van}",
        "restock": restock,
        "form": form,
        "rows": [row for row in rows if row[0].picked or row[1].errors],
        "others": [row for row in rows if not (row[0].picked or row[1].errors)],
    }
    return render(request, "forecasting/restock_confirm.html", context, status=status)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK)
def differences(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what is open of a restock, and let a person say where it is."""
    restock = restock_or_404(request, pk)
    posted = request.method == "POST"
    # What the form was made of may be settled meanwhile: its lines are those it names.
    lines = [
        line for line in lines_of(restock) if (f"open-{line.pk}" in request.POST if posted else line.open)
    ]
    form = DifferencesForm(request.POST if posted else None, lines)
    if posted and form.is_valid():
        by = person_of(request).get_username()
        try:
            done = settle(pk, form.settlements(), by=by, now=timezone.now())
        except StepConflict as conflict:
            messages.error(request, f"Nothing was changed: {conflict}.")
            return redirect("restocks:differences", pk)
        except (StepRefused, Refused) as refused:
            form.add_error(None, f"Nothing was changed: {refused}.")
        else:
            messages.success(request, "Settled." if done.changed else "That was done already.")
            return redirect("restocks:show", pk)
    if not lines:
        return _elsewhere(request, restock, "Nothing is open")
    context = {
        "shop": the_shop(),
        "title": f"Differences of {restock.van}, {restock.period}",
        "restock": restock,
        "form": form,
    }
    return render(request, "forecasting/restock_differences.html", context, status=400 if posted else 200)


def _quantities(
    data: Any, restock: Restock, what: str, initial: Callable[[RestockLine], Any]
) -> QuantitiesForm:
    lines: Sequence[RestockLine] = lines_of(restock)
    return QuantitiesForm(data, lines, what, initial)


def _elsewhere(request: HttpRequest, restock: Restock, reason: str) -> HttpResponse:
    messages.info(request, f"{reason}; this one is {restock.status}.")
    return redirect("restocks:show", restock.pk)
