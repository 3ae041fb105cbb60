"""Forms for stock documents: the head of each kind, its lines, and what they become."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from django import forms
from django.forms import formset_factory
from django.utils import timezone

from inventory import documents
from inventory.models import REAL_KINDS, Consumable, Pack, Place, Supplier
from shop.common.page_fields import LOCAL_MINUTE, DayField, MomentField, MoneyField
from shop.web.code_select import CodeChoice
from shop.web.storeroom.pack_quantities import read_quantity

LINES_SHOWN = 6
LINES_MOST = 200

if TYPE_CHECKING:
    LineFormSet = forms.BaseFormSet["LineForm"]
else:
    LineFormSet = forms.BaseFormSet


def now_here() -> str:
    """Return the present minute on the shop's clocks, as a date and time field takes it."""
    return timezone.localtime().strftime(LOCAL_MINUTE)


class PlaceField(CodeChoice):
    """A real place, by its code."""

    def __init__(self, label: str) -> None:
        super().__init__(Place.objects.filter(kind__in=REAL_KINDS), label=label, empty_label="Choose")


class HeadForm(forms.Form):
    """What every document has: the id that makes it count once, and when it happened."""

    id = forms.CharField(widget=forms.HiddenInput, max_length=documents.LONGEST_ID)
    occurred_at = MomentField(
        label="When",
        initial=now_here,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format=LOCAL_MINUTE),
    )

    @staticmethod
    def new_id() -> str:
        """Return an id for a new form."""
        return f"desk-{uuid4()}"


class ReceiptForm(HeadForm):
    """A delivery."""

    supplier = CodeChoice(Supplier.objects.all(), label="From supplier", empty_label="Choose")
    place = PlaceField("Into")
    freight = MoneyField(label="Freight", initial=0, required=False)
    duty = MoneyField(label="Duty", initial=0, required=False)
    discount = MoneyField(label="Discount", initial=0, required=False)
    share_by = forms.ChoiceField(
        label="Share freight, duty and discount by",
        choices=[("value", "value"), ("quantity", "quantity")],
        required=False,
    )
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 2}))


class TransferForm(HeadForm):
    """A transfer."""

    source = PlaceField("From")
    destination = PlaceField("To")
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 2}))


class ScrapForm(HeadForm):
    """Scrapped stock."""

    place = PlaceField("From")
    reason = forms.CharField(label="Why", widget=forms.Textarea(attrs={"rows": 2}))


class CountForm(HeadForm):
    """A blind count of one place."""

    place = PlaceField("At")
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 2}))


class LineForm(forms.Form):
    """A quantity of one consumable. A line with neither is left out."""

    consumable = forms.CharField(
        label="Consumable",
        required=False,
        max_length=documents.LONGEST_CODE,
        widget=forms.TextInput(attrs={"list": "consumables", "autocomplete": "off", "autocapitalize": "off"}),
    )
    quantity = forms.CharField(
        label="Quantity", required=False, max_length=40, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )

    def is_blank(self) -> bool:
        """Return whether nothing was entered."""
        return not any(str(value or "").strip() for value in self.cleaned_data.values())


class ReceiptLineForm(LineForm):
    """A delivered quantity with its cost and lot."""

    cost = MoneyField(label="Cost of the line", required=False)
    lot = forms.CharField(label="Lot", required=False, max_length=documents.LONGEST_CODE)
    expires_on = DayField(label="Expires", required=False)

    def clean(self) -> dict[str, Any]:
        """Refuse a line without its cost: a receipt says what stock is worth."""
        values: dict[str, Any] = super().clean() or {}
        if values.get("quantity") and values.get("cost") is None and "cost" not in self.errors:
            self.add_error("cost", "Give the cost of the whole line; 0 if it was free.")
        return values


class CountLineForm(LineForm):
    """What was found of one consumable; a line without a quantity was not counted."""

    def is_blank(self) -> bool:
        """Return whether no quantity was entered."""
        return not self.cleaned_data.get("quantity", "").strip()


def lines_of(form: type[LineForm], data: Any = None, consumables: Sequence[str] = ()) -> LineFormSet:
    """Return the formset of a document's lines: those of the consumables named, then empty ones."""
    lines = formset_factory(form, extra=LINES_SHOWN, max_num=LINES_MOST, absolute_max=LINES_MOST)
    return lines(data, prefix="line", initial=[{"consumable": code} for code in consumables])


@dataclass
class EnteredLines:
    """The lines that were filled in, with their consumables and quantities in stock units."""

    forms: list[LineForm]
    consumables: dict[str, Consumable]
    quantities: list[Decimal] = field(default_factory=list)

    def consumable(self, form: LineForm) -> Consumable:
        """Return the consumable of a line."""
        return self.consumables[form.cleaned_data["consumable"]]


def read_lines(formset: LineFormSet, head: forms.Form, supplier: Supplier | None = None) -> EnteredLines:
    """Return the lines filled in; what is wrong with one is added to its form. Two queries."""
    filled = [
        form
        for form in formset.forms
        if isinstance(form, LineForm) and form.is_valid() and not form.is_blank()
    ]
    codes = {form.cleaned_data["consumable"].strip() for form in filled}
    known = {consumable.code: consumable for consumable in Consumable.objects.filter(code__in=codes)}
    packs: dict[str, list[tuple[str, Decimal]]] = {}
    sold = Pack.objects.filter(consumable__code__in=codes).select_related("consumable")
    for pack in sold.filter(supplier=supplier) if supplier else sold:
        packs.setdefault(pack.consumable.code, []).append((pack.name, pack.stock_units))
    entered = EnteredLines(filled, known)
    for form in filled:
        code = form.cleaned_data["consumable"] = form.cleaned_data["consumable"].strip()
        quantity = Decimal(0)
        if code not in known:
            form.add_error("consumable", f"{code!r} is not a consumable here; choose one of the list.")
        else:
            try:
                quantity = read_quantity(
                    form.cleaned_data["quantity"], packs.get(code, []), known[code].stock_unit
                )
            except ValueError as wrong:
                form.add_error("quantity", str(wrong))
            # An amount that no document accepts is not used either; the document itself asks for more than 0.
            if found := documents.quantity_problem(quantity, zero=True):
                form.add_error("quantity", f"{quantity} {found}")
        entered.quantities.append(quantity)
    if not filled:
        head.add_error(None, "Enter at least one line.")
    return entered


def receipt(head: dict[str, Any], lines: EnteredLines) -> documents.Receipt:
    """Return the delivery that a valid form and its lines describe."""
    return documents.Receipt(
        id=head["id"],
        occurred_at=head["occurred_at"],
        supplier=head["supplier"].code,
        place=head["place"].code,
        lines=tuple(
            documents.ReceiptLine(
                form.cleaned_data["consumable"],
                quantity,
                form.cleaned_data["cost"],
                form.cleaned_data["lot"],
                form.cleaned_data["expires_on"].isoformat() if form.cleaned_data["expires_on"] else "",
            )
            for form, quantity in zip(lines.forms, lines.quantities, strict=True)
        ),
        freight=head["freight"] or Decimal(0),
        duty=head["duty"] or Decimal(0),
        discount=head["discount"] or Decimal(0),
        share_by=head["share_by"] or "value",
        note=head["note"],
    )


def transfer(head: dict[str, Any], lines: EnteredLines) -> documents.Transfer:
    """Return the transfer that a valid form and its lines describe."""
    return documents.Transfer(
        head["id"],
        head["occurred_at"],
        head["source"].code,
        head["destination"].code,
        _plain_lines(lines),
        head["note"],
    )


def scrap(head: dict[str, Any], lines: EnteredLines) -> documents.Scrap:
    """Return the scrapping that a valid form and its lines describe."""
    return documents.Scrap(
        head["id"], head["occurred_at"], head["place"].code, head["reason"], _plain_lines(lines)
    )


def count(head: dict[str, Any], lines: EnteredLines) -> documents.Count:
    """Return the count that a valid form and its lines describe."""
    place = head["place"].code
    return documents.Count(
        head["id"],
        head["occurred_at"],
        tuple(documents.CountedLine(place, line.consumable, line.quantity) for line in _plain_lines(lines)),
        head["note"],
    )


def _plain_lines(lines: EnteredLines) -> tuple[documents.StockLine, ...]:
    return tuple(
        documents.StockLine(form.cleaned_data["consumable"], quantity)
        for form, quantity in zip(lines.forms, lines.quantities, strict=True)
    )
