"""Suppliers and the packs they sell."""

from typing import TYPE_CHECKING

from django import forms
from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from inventory.models import Pack, Supplier
from shop.common.page_fields import RowForm
from shop.common.pagination import page_of
from shop.models import Role, the_shop
from shop.people.permissions import for_roles

if TYPE_CHECKING:
    SupplierFormBase = forms.ModelForm[Supplier]
    PackFormBase = forms.ModelForm[Pack]
else:
    SupplierFormBase = PackFormBase = forms.ModelForm


class SupplierForm(RowForm, SupplierFormBase):
    """A supplier."""

    class Meta:
        model = Supplier
        fields = ["code", "name", "email"]


class PackForm(RowForm, PackFormBase):
    """A pack of one supplier."""

    class Meta:
        model = Pack
        fields = ["consumable", "name", "stock_units"]

    def clean(self) -> None:
        """Refuse a second pack of one name, which the form alone cannot see: the supplier is not on it."""
        same = Pack.objects.filter(
            supplier=self.instance.supplier,
            consumable=self.cleaned_data.get("consumable"),
            name=self.cleaned_data.get("name"),
        )
        if same.exists():
            self.add_error("name", "This supplier has a pack of that name for it already; give another name.")

    def clean_stock_units(self) -> object:
        """Refuse a pack that holds nothing."""
        units = self.cleaned_data["stock_units"]
        if units is not None and units <= 0:
            raise forms.ValidationError("a pack holds more than 0 stock units, such as 25 discs in a box")
        return units


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER)
@require_http_methods(["GET", "HEAD", "POST"])
def supplier_list(request: HttpRequest) -> HttpResponseBase:
    """List suppliers; a POST adds one."""
    form = SupplierForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        added = form.save()
        messages.success(request, f"Supplier {added.code} is added.")
        return redirect("store:supplier", code=added.code)
    found = Supplier.objects.annotate(sold=Count("packs")).order_by("code")
    if words := request.GET.get("q", "").strip():
        found = found.filter(Q(code__icontains=words) | Q(name__icontains=words))
    page = {
        "title": "Suppliers",
        "shop": the_shop(),
        "form": form,
        "rows": page_of(request, found, "page"),
        "words": words,
    }
    return render(request, "shop/storeroom/suppliers.html", page, status=400 if form.errors else 200)


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER)
@require_http_methods(["GET", "HEAD", "POST"])
def supplier(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show a supplier with its packs; a POST changes it, adds a pack, or takes one away."""
    found = get_object_or_404(Supplier, code=code)
    act = request.POST.get("act", "") if request.method == "POST" else ""
    form = SupplierForm(request.POST if act == "change" else None, instance=found)
    pack_form = PackForm(request.POST if act == "add" else None, instance=Pack(supplier=found))
    if act == "change" and form.is_valid():
        changed = form.save()
        messages.success(request, f"Supplier {changed.code} is changed.")
        return redirect("store:supplier", code=changed.code)
    if act == "add" and pack_form.is_valid():
        pack = pack_form.save()
        messages.success(request, f"{pack} is added.")
        return redirect("store:supplier", code=code)
    page = {
        "title": f"Supplier {code}",
        "shop": the_shop(),
        "supplier": found,
        "form": form,
        "pack_form": pack_form,
        "packs": page_of(request, found.packs.select_related("consumable"), "page"),
    }
    return render(
        request, "shop/storeroom/supplier.html", page, status=400 if form.errors or pack_form.errors else 200
    )
