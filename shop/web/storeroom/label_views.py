"""Choosing and printing labels."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory.models import Consumable
from shop.common.pagination import page_of
from shop.models import Role, the_shop
from shop.people.permissions import for_roles
from shop.web.storeroom.label_sheet import Label, label_sheet

MOST_LABELS = 480


class LabelForm(forms.Form):
    """Which labels to print, and how many of each."""

    consumable = forms.MultipleChoiceField(
        label="Consumables",
        error_messages={
            "required": "Tick at least one consumable.",
            "invalid_choice": "%(value)s is not a consumable here.",
        },
    )
    copies = forms.IntegerField(label="Copies of each", min_value=1, max_value=24, initial=1)

    def __init__(self, data: Mapping[str, Any] | None, codes: list[str]) -> None:
        super().__init__(data)
        self.fields["consumable"].choices = [(code, code) for code in codes]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, object]:
        """Refuse more labels than one sheet run should have."""
        values: dict[str, object] = super().clean() or {}
        asked = len(self.cleaned_data.get("consumable", ())) * self.cleaned_data.get("copies", 0)
        if asked > MOST_LABELS:
            self.add_error("copies", f"That is {asked} labels; print at most {MOST_LABELS} at a time.")
        return values


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER)
@require_safe
def labels(request: HttpRequest) -> HttpResponseBase:
    """Offer consumables to print labels for; with some chosen, answer with the sheet."""
    asked = [code for code in request.GET.getlist("consumable") if "\x00" not in code][:MOST_LABELS]
    chosen = Consumable.objects.filter(code__in=asked).order_by("code")
    wants = "copies" in request.GET
    form = LabelForm(request.GET if wants else None, [item.code for item in chosen])
    if wants and form.is_valid():
        sheet = label_sheet(
            [
                Label(item.code, item.name, f"{item.grade} {item.kind}, in {item.stock_unit}".strip())
                for item in chosen
                for _ in range(form.cleaned_data["copies"])
            ]
        )
        return HttpResponse(
            sheet,
            content_type="application/pdf",
            headers={"Content-Disposition": 'inline; filename="labels.pdf"'},
        )
    page = {
        "title": "Labels",
        "shop": the_shop(),
        "form": form,
        "rows": page_of(request, Consumable.objects.order_by("code"), "page"),
        "ticked": set(asked),
    }
    return render(request, "shop/storeroom/labels.html", page, status=400 if form.errors else 200)
