"""Pages of what suppliers sell, when they deliver, and how the depot's stock is to be held."""

from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from forecasting.email_addresses import on_the_wire
from forecasting.models import PackTerms, PriceBreak, StockingTerms, SupplierTerms, the_terms
from forecasting.purchasing.approval import MOST_PACKS
from forecasting.purchasing.forms import amount_field
from forecasting.purchasing.inputs import lead_time_of, price_list_of
from forecasting.replenishment.forms import without_zeros
from inventory.models import Books, Pack, Place, PlaceKind, Supplier
from shop.common.page_fields import RowForm
from shop.common.pagination import page_of
from shop.common.text import exact
from shop.models import the_shop
from shop.people.permissions import STOCK_ROLES, for_roles

if TYPE_CHECKING:
    RuleFormBase = forms.ModelForm[StockingTerms]
    SupplierFormBase = forms.ModelForm[SupplierTerms]
    PackFormBase = forms.ModelForm[PackTerms]
else:
    RuleFormBase = SupplierFormBase = PackFormBase = forms.ModelForm

BREAK_ROWS = 4


class RuleForm(RowForm, RuleFormBase):
    """How the depot's stock is to be held."""

    class Meta:
        model = StockingTerms
        fields = ("service_depot", "cover_days_after_top_up", "holding_rate")
        labels = {
            "service_depot": "Service of the depot",
            "cover_days_after_top_up": "Days of cover at most after topping up",
            "holding_rate": "What keeping stock costs",
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        without_zeros(self)


class SupplierTermsForm(RowForm, SupplierFormBase):
    """When a supplier delivers, the least order it takes, and where orders go."""

    email = forms.CharField(
        label="E-mail for orders",
        required=False,
        max_length=254,
        help_text="empty: orders are placed in another way",
    )

    class Meta:
        model = SupplierTerms
        fields = ("lead_days", "least_order_value", "order_cost", "deliver_to")
        labels = {
            "lead_days": "Days from order to delivery",
            "least_order_value": "Least order value",
            "order_cost": "Cost of an order",
            "deliver_to": "Deliver to",
        }
        error_messages = {
            "lead_days": {"min_value": "Goods come a day after the order or later; give 1 or more."}
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        without_zeros(self)
        depot = self.fields["deliver_to"]
        assert isinstance(depot, forms.ModelChoiceField)  # noqa: S101 - a foreign key has such a field
        depot.queryset = Place.objects.filter(kind=PlaceKind.DEPOT)
        depot.empty_label = "the depot that fills the vans"

    def clean_email(self) -> str:
        """Refuse what no mail server takes."""
        address: str = self.cleaned_data["email"].strip()
        return on_the_wire(address) if address else ""


class PackTermsForm(RowForm, PackFormBase):
    """What a pack costs, how few are sold, and from how many on it costs less."""

    class Meta:
        model = PackTerms
        fields = ("price", "least_packs", "discount")
        labels = {
            "price": "Price of a pack",
            "least_packs": "Fewest packs",
            "discount": "A lower price is for",
        }
        error_messages = {"least_packs": {"min_value": "Give 1 when it sells single packs."}}

    def __init__(self, data: Any, terms: PackTerms) -> None:
        super().__init__(data, instance=terms)
        without_zeros(self)
        kept = list(terms.breaks.all()) if terms.price is not None else []
        for number in range(max(BREAK_ROWS, len(kept) + 1)):
            packs = forms.IntegerField(
                label=f"Lower price {number + 1}: from packs",
                required=False,
                min_value=2,
                max_value=MOST_PACKS,
                error_messages={"min_value": "A lower price starts at 2 packs or more."},
            )
            price = amount_field(f"Lower price {number + 1}: price of a pack")
            if number < len(kept):
                packs.initial = kept[number].from_packs
                price.initial = exact(kept[number].price)
            self.fields[f"from-{number}"] = packs
            self.fields[f"price-{number}"] = price
        self.break_rows = max(BREAK_ROWS, len(kept) + 1)

    def rows(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        """Return the fields of the lower prices."""
        return [(self[f"from-{number}"], self[f"price-{number}"]) for number in range(self.break_rows)]

    def clean(self) -> None:
        """Refuse lower prices that rise, come twice, or are half given."""
        super().clean()
        said = self.cleaned_data
        before: dict[int, int] = {}
        for number in range(self.break_rows):
            packs, price = said.get(f"from-{number}"), said.get(f"price-{number}")
            if (packs is None) != (price is None) and not self.errors:
                empty = f"from-{number}" if packs is None else f"price-{number}"
                self.add_error(empty, "Give both the packs and their price, or neither.")
            if price is not None and price <= 0:
                self.add_error(f"price-{number}", "This is not a price; give what a pack costs.")
            if packs is not None and packs in before:
                self.add_error(f"from-{number}", f"{packs} packs have a lower price already; give it once.")
            if packs is not None:
                before[packs] = number
        if not self.errors and said.get("price") is not None:
            self._refuse_rising()

    def _refuse_rising(self) -> None:
        price = self.cleaned_data["price"]
        for packs, lower in self.breaks():
            if lower >= price:
                number = next(n for n in range(self.break_rows) if self.cleaned_data[f"from-{n}"] == packs)
                text = f"{lower:f} from {packs} packs is not below the {price:f} of fewer"
                self.add_error(f"price-{number}", f"{text}; check the price list.")
            price = lower

    def breaks(self) -> list[tuple[int, Any]]:
        """Return the lower prices by rising packs, once the form is valid."""
        said = self.cleaned_data
        found = [(said.get(f"from-{n}"), said.get(f"price-{n}")) for n in range(self.break_rows)]
        return sorted((packs, price) for packs, price in found if packs is not None and price is not None)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def terms(request: HttpRequest) -> HttpResponse:
    """Show and change the rule for the depot, and list the suppliers with their terms."""
    form = RuleForm(request.POST or None, instance=the_terms())
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Saved. The next drafts use it.")
        return redirect("purchases:terms")
    suppliers = Supplier.objects.select_related("terms").prefetch_related("packs__terms").order_by("code")
    page = page_of(request, suppliers, "page")
    rows = [
        (
            row,
            getattr(row, "terms", None),
            sum(1 for pack in row.packs.all() if getattr(pack, "terms", None)),
            len(row.packs.all()),
        )
        for row in page
    ]
    context = {
        "shop": the_shop(),
        "title": "Purchasing settings",
        "form": form,
        "page": page,
        "rows": rows,
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/purchase_terms.html", context, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def supplier(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and change one supplier's terms, and list its packs with their prices."""
    found = get_object_or_404(Supplier.objects.select_related("terms"), pk=pk)
    kept = getattr(found, "terms", None)
    own = kept or SupplierTerms(supplier=found)
    form = SupplierTermsForm(request.POST or None, instance=own, initial={"email": found.email})
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            form.save()
            found.email = form.cleaned_data["email"]
            found.save(update_fields=["email"])
        messages.success(request, "Saved. The next drafts use it.")
        return redirect("purchases:supplier", pk)
    packs = found.packs.select_related("consumable", "terms").prefetch_related("terms__breaks")
    page = page_of(request, packs.order_by("consumable__code", "name"), "page")
    rows = [(pack, price_list_of(pack.terms) if getattr(pack, "terms", None) else None) for pack in page]
    context = {
        "shop": the_shop(),
        "title": f"Terms of {found.name or found}",
        "supplier": found,
        "form": form,
        "page": page,
        "rows": rows,
        "lead_time": lead_time_of(kept) if kept else None,
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/purchase_supplier.html", context, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def pack(request: HttpRequest, pk: int, pack: int) -> HttpResponse:
    """Show and change what a pack costs."""
    found = get_object_or_404(Pack.objects.select_related("consumable", "supplier"), pk=pack, supplier=pk)
    kept = PackTerms.objects.prefetch_related("breaks").filter(pack=found).first()
    form = PackTermsForm(request.POST or None, kept or PackTerms(pack=found))
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            saved = form.save()
            saved.breaks.all().delete()
            PriceBreak.objects.bulk_create(
                PriceBreak(terms=saved, from_packs=packs, price=price) for packs, price in form.breaks()
            )
        messages.success(request, "Saved. The next drafts use it.")
        return redirect("purchases:supplier", pk)
    context = {
        "shop": the_shop(),
        "title": f"Price of {found.consumable.name}",
        "pack": found,
        "form": form,
    }
    return render(request, "forecasting/purchase_pack.html", context, status=400 if form.errors else 200)
