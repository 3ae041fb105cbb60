"""Pages that move stock: picking at the depot, confirming on the van, and settling what did not arrive."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
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
from forecasting.replenishment.views import lines_of, restock_or_404, taken
from forecasting.workflow import Done, StepConflict, StepRefused
from inventory.ledger import Refused
from inventory.models import Holding
from shop.models import the_shop
from shop.people.permissions import STOCK_ROLES, VAN_AND_STOCK, for_roles, person_of


@dataclass(frozen=True, slots=True)
class Carrying:
    """A step of a restock that takes a quantity of each line, and its page.

    `status` is where it may be taken and `only` what is said elsewhere; `what` names the quantities, which
    begin as `begin` says.
    """

    status: RestockStatus
    only: str
    what: str
    begin: Callable[[RestockLine], Decimal | None]
    step: Callable[..., Done[Restock]]
    done: str
    template: str
    title: str


PICK = Carrying(
    status=RestockStatus.APPROVED,
    only="Only an approved restock can be picked",
    what="picked",
    begin=lambda line: line.approved,
    step=pick_ship_receive.pick,
    done="Picked: it is under way to the van.",
    template="forecasting/restock_pick.html",
    title="Pick for {0.van}, {0.period}",
)
CONFIRM = Carrying(
    status=RestockStatus.UNDER_WAY,
    only="Only what is under way can be confirmed",
    what="arrived",
    begin=lambda line: line.picked,
    step=pick_ship_receive.confirm,
    done="On board.",
    template="forecasting/restock_confirm.html",
    title="What arrived on {0.van}",
)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def pick(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what to take out of the depot, and ship it."""
    return _carry(request, pk, PICK)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*VAN_AND_STOCK)
def confirm(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what should arrive, and receive what did."""
    return _carry(request, pk, CONFIRM)


def _carry(request: HttpRequest, pk: int, one: Carrying) -> HttpResponse:
    restock = restock_or_404(request, pk)
    posted = request.method == "POST"
    if not posted and restock.status != one.status:
        return _elsewhere(request, restock, one.only)
    form = QuantitiesForm(request.POST if posted else None, lines_of(restock), one.what, one.begin)

    def show(request: HttpRequest, restock: Restock, form: QuantitiesForm, status: int = 200) -> HttpResponse:
        context = {
            "shop": the_shop(),
            "title": one.title.format(restock),
            "restock": restock,
            "form": form,
            **_rows(restock, form, one),
        }
        return render(request, one.template, context, status=status)

    def take() -> Done[Restock]:
        return one.step(pk, form.quantities(), by=person_of(request).get_username(), now=timezone.now())

    if not posted:
        return show(request, restock, form)
    return taken(request, restock, form, take, done=one.done, again=show)


def _rows(restock: Restock, form: QuantitiesForm, one: Carrying) -> dict[str, Any]:
    """Return each line with its field and what the depot has of it: those of the step, and the others."""
    held = dict(Holding.objects.filter(place=restock.depot).values_list("consumable_id", "quantity"))
    rows = [(line, field, held.get(line.consumable_id, 0)) for line, field in form.rows()]
    return {
        "rows": [row for row in rows if one.begin(row[0]) or row[1].errors],
        "others": [row for row in rows if not (one.begin(row[0]) or row[1].errors)],
    }


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def differences(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what is open of a restock, and let a person say where it is."""
    restock = restock_or_404(request, pk)
    posted = request.method == "POST"
    # The lines of the form may be settled meanwhile, so it takes the lines it names.
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


def _elsewhere(request: HttpRequest, restock: Restock, reason: str) -> HttpResponse:
    messages.info(request, f"{reason}; this one is {restock.status}.")
    return redirect("restocks:show", restock.pk)
