"""The everyday settings of the shop."""

from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from inventory.ledger.period_lock import open_from
from inventory.perpetual_valuation.valuer import Valuer
from inventory.valuation.cost_layers import CostFormula
from shop.common.text import exact
from shop.models import LengthUnit, Role, Shop, the_shop
from shop.people.admin_log import note_change
from shop.people.permissions import for_roles, person_of
from shop.setup.shop_settings import SettingChanges, check, set_up
from shop.web.form_errors import add_errors
from shop.web.owner.section_links import areas

METHOD_NAMES = {
    CostFormula.FIFO: "first in, first out",
    CostFormula.MOVING_AVERAGE: "moving weighted average",
}


class SettingsForm(forms.Form):
    """What the shop is called, how it counts money, time and lengths, and what it aims at."""

    name = forms.CharField(max_length=200)
    target_margin_percent = forms.DecimalField(
        label="Target margin, percent of revenue", min_value=0, max_value=100, decimal_places=4
    )
    length_unit = forms.ChoiceField(label="Lengths are shown in", choices=LengthUnit.choices)
    currency = forms.CharField(
        max_length=3, help_text="three letters of ISO 4217; stays once anything is posted"
    )
    time_zone = forms.CharField(
        max_length=64, help_text="such as Europe/Lisbon; stays while a period is locked"
    )
    cost_method = forms.ChoiceField(
        label="Stock is valued by",
        choices=[(method.value, name) for method, name in METHOD_NAMES.items()],
        help_text="from the first open day on; all stock since then is valued again",
    )


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def settings(request: HttpRequest) -> HttpResponse:
    """Show and change the settings; ask before what values stock or jobs again."""
    shop = the_shop()
    now = _now(shop)
    shown = {**now, "target_margin_percent": exact(shop.target_margin_percent)}
    form = SettingsForm(request.POST or None, initial=shown)
    context = {"title": "Settings", "areas": areas(request), "shop": shop, "form": form}
    if request.method == "POST" and form.is_valid():
        given = {name: value for name, value in form.cleaned_data.items() if value != now[name]}
        asks = [name for name in ("cost_method", "time_zone") if name in given]
        if not given:
            messages.info(request, "Nothing was changed.")
            return redirect("owner:settings")
        try:
            check(_changes(given))
            if asks and "sure" not in request.POST:
                return render(request, "shop/owner/settings.html", {**context, "asks": asks})
            done = set_up(_changes(given))
        except ValidationError as error:
            add_errors(form, error)
        else:
            changed = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in given.items())
            note_change(person_of(request), shop, f"changed {changed}")
            messages.success(request, f"Changed: {changed}.")
            if "cost_method" in given:
                messages.info(request, f"Documents revalued: {len(done.revalued):,}.")
            return redirect("owner:settings")
    return render(request, "shop/owner/settings.html", context, status=400 if form.errors else 200)


def _now(shop: Shop) -> dict[str, Any]:
    return {
        "name": shop.name,
        "target_margin_percent": shop.target_margin_percent,
        "length_unit": shop.length_unit,
        "currency": shop.currency,
        "time_zone": shop.time_zone,
        "cost_method": Valuer().method_at(open_from()).value,
    }


def _changes(given: dict[str, Any]) -> SettingChanges:
    method = given.get("cost_method")
    return SettingChanges(**{**given, "cost_method": CostFormula(method) if method else None})
