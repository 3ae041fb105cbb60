"""Pages of the restock settings: service levels, interval, usable units and room."""

from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from forecasting.models import ConsumableTerms, VanSpace, the_terms
from forecasting.replenishment.forms import HoldingForm, RestockSettingsForm
from forecasting.replenishment.inputs import classes_now, service_of
from inventory.models import Consumable, Place, PlaceKind
from shop.common.pagination import page_of
from shop.models import the_shop
from shop.people.permissions import STOCK_ROLES, for_roles


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def settings(request: HttpRequest) -> HttpResponse:
    """Show and change the shop's rule, and list the consumables with the service each has now."""
    terms = the_terms()
    form = RestockSettingsForm(request.POST or None, instance=terms)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Saved. The next drafts use it.")
        return redirect("restocks:settings")
    terms = the_terms()
    page = page_of(request, Consumable.objects.order_by("code"), "page")
    own = {row.pk: row for row in ConsumableTerms.objects.all()}
    classes = classes_now(terms, own, timezone.now())
    rows = [
        (
            consumable,
            classes[consumable.pk],
            service_of(classes[consumable.pk], own.get(consumable.pk), terms),
            own.get(consumable.pk),
        )
        for consumable in page
    ]
    context = {
        "shop": the_shop(),
        "title": "Restock settings",
        "form": form,
        "page": page,
        "rows": rows,
    }
    return render(request, "forecasting/restock_settings.html", context, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def holding(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and change how one consumable is held, and the room each van has for it."""
    consumable = get_object_or_404(Consumable, pk=pk)
    terms = ConsumableTerms.objects.filter(pk=pk).first() or ConsumableTerms(consumable=consumable)
    vans = list(Place.objects.filter(kind=PlaceKind.VAN).order_by("code"))
    rooms = dict(VanSpace.objects.filter(consumable=consumable).values_list("place_id", "quantity"))
    form = HoldingForm(request.POST or None, terms, vans, rooms)
    if request.method == "POST" and form.is_valid():
        _keep(form, consumable)
        messages.success(request, f"Saved for {consumable}. The next drafts use it.")
        return redirect("restocks:settings")
    context: dict[str, Any] = {
        "shop": the_shop(),
        "title": f"Stocking of {consumable.name}",
        "consumable": consumable,
        "form": form,
    }
    return render(request, "forecasting/restock_holding.html", context, status=400 if form.errors else 200)


@transaction.atomic
def _keep(form: HoldingForm, consumable: Consumable) -> None:
    form.save()
    for place, quantity in form.rooms().items():
        if quantity is None:
            VanSpace.objects.filter(place=place, consumable=consumable).delete()
        else:
            VanSpace.objects.update_or_create(
                place_id=place, consumable=consumable, defaults={"quantity": quantity}
            )
