"""Forms of purchases: packs for each line and further ones, how an order was sent, and a delivery."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet, Value
from django.db.models.functions import Concat
from django.utils import timezone

from forecasting.models import PurchaseLine
from forecasting.purchasing.approval import LONGEST_NOTE, MOST_PACKS, OrderChanges
from forecasting.stock_control.numeric_checks import rounded
from inventory.decimals import PLACES, ZERO
from inventory.documents import LARGEST_MONEY, Problem, Receipt, ReceiptLine
from inventory.models import Consumable, Pack, Place
from shop.common.page_fields import LOCAL_MINUTE, DayField, MomentField
from shop.common.text import exact, hundredths_up
from shop.web.code_select import ChooseOrType, CodeChoice

ADDED_ROWS = 2
UNEXPECTED_ROWS = 3


def _packs_field(label: str, *, required: bool = True) -> forms.IntegerField:
    return forms.IntegerField(
        label=label,
        required=required,
        min_value=0,
        max_value=MOST_PACKS,
        error_messages={
            "required": "This is empty; give 0 to strike the line out.",
            "invalid": "This is not a whole number of packs.",
            "min_value": "This is negative; give 0 to strike the line out.",
            "max_value": f"This is above {MOST_PACKS:,} packs; check it.",
        },
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "step": "1", "aria-label": label}),
    )


def amount_field(label: str, *, required: bool = False, help_text: str = "") -> forms.DecimalField:
    """Return a field for a quantity or money, 0 or more."""
    return forms.DecimalField(
        label=label,
        required=required,
        min_value=0,
        max_value=LARGEST_MONEY,
        decimal_places=PLACES,
        help_text=help_text,
        error_messages={
            "invalid": "This is not a number; write it such as 12 or 12.5.",
            "min_value": "This is negative; give 0 or more.",
            "max_decimal_places": f"This has more than {PLACES} decimal places; round it.",
        },
        widget=forms.NumberInput(attrs={"inputmode": "decimal", "step": "any", "aria-label": label}),
    )


def _day_field(label: str) -> DayField:
    return DayField(
        label=label,
        required=False,
        error_messages={"invalid": "This is not a day; write it such as 2027-06-30."},
        widget=forms.DateInput(attrs={"type": "date", "aria-label": label}, format="%Y-%m-%d"),
    )


def _text_field(label: str, longest: int, *, required: bool = False) -> forms.CharField:
    return forms.CharField(
        label=label,
        max_length=longest,
        required=required,
        widget=forms.TextInput(attrs={"aria-label": label}),
    )


class PackField(forms.ModelChoiceField):  # type: ignore[type-arg] # generic only in the stubs
    """One of a supplier's packs, by its consumable's code and its name; the code alone will do for one."""

    widget = ChooseOrType
    default_error_messages = {
        "invalid_choice": "This is none of its packs with a price; give the code of the consumable, and "
        "after it the name of the pack where it sells several."
    }

    def __init__(self, packs: QuerySet[Pack], **options: Any) -> None:
        said = Concat("consumable__code", Value(" "), "name")
        super().__init__(
            packs.select_related("consumable").annotate(said=said), to_field_name="said", **options
        )

    def label_from_instance(self, obj: Pack) -> str:
        """Return what a list of packs shows."""
        holds = f"{hundredths_up(obj.stock_units)} {obj.consumable.stock_unit}"
        return f"{obj.consumable.name}: {obj.name} of {holds}"

    def to_python(self, value: Any) -> Pack | None:
        """Return the pack that is meant."""
        if value in self.empty_values:
            return None
        packs: Any = self.queryset  # with what __init__ annotates
        found = list(packs.filter(said=value)[:2]) or list(packs.filter(consumable__code=value)[:2])
        if len(found) != 1:
            raise ValidationError(self.error_messages["invalid_choice"], code="invalid_choice")
        pack: Pack = found[0]
        return pack


class ConsumableField(CodeChoice):
    """A consumable, by its code."""

    def label_from_instance(self, obj: Consumable) -> str:
        """Return what a list of consumables shows."""
        return f"{obj.name} {obj.code} ({obj.stock_unit})"


class PurchaseDraftForm(forms.Form):
    """Packs for each line of a draft, further packs of its supplier, and a note for it."""

    note = forms.CharField(
        label="Note for the supplier",
        max_length=LONGEST_NOTE,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
    )

    def __init__(self, data: Any, lines: Sequence[PurchaseLine], note: str, further: QuerySet[Pack]) -> None:
        super().__init__(data, initial={"note": note})
        self.lines = lines
        self.added = range(ADDED_ROWS if further.exists() else 0)
        for line in lines:
            field = _packs_field(f"{line.consumable.name}: packs to order")
            field.initial = line.packs
            self.fields[f"packs-{line.pk}"] = field
        for number in self.added:
            self.fields[f"pack-{number}"] = PackField(
                further, label=f"Also order {number + 1}", required=False, empty_label="nothing more"
            )
            self.fields[f"added-{number}"] = _packs_field(f"Packs {number + 1}", required=False)

    def field_of(self, line: PurchaseLine) -> forms.BoundField:
        """Return the field of a line."""
        return self[f"packs-{line.pk}"]

    def added_rows(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        """Return the fields for further packs."""
        return [(self[f"pack-{n}"], self[f"added-{n}"]) for n in self.added]

    def changes(self) -> OrderChanges:
        """Return what the form says, once it is valid."""
        said = self.cleaned_data
        added = [
            (said[f"pack-{number}"].pk, said[f"added-{number}"] or 0)
            for number in self.added
            if said[f"pack-{number}"]
        ]
        packs = {line.pk: said[f"packs-{line.pk}"] for line in self.lines}
        return OrderChanges(packs, added, said["note"].replace("\r\n", "\n"))

    def add_problems(self, problems: Sequence[Problem]) -> None:
        """Show what a step refused beside the field it is about."""
        for problem in problems:
            field = problem.field if problem.field in self.fields else None
            self.add_error(field, f"{problem.value} {problem.expected}".strip())


class SentForm(forms.Form):
    """How and when the supplier got the order in another way than by a letter from here."""

    how = forms.CharField(
        label="How it was ordered",
        max_length=200,
        help_text="such as: by telephone, on its own site",
        error_messages={"required": "Say how the supplier was told."},
    )
    at = MomentField(
        label="When",
        error_messages={"invalid": "This is not a moment; write it such as 2026-03-02T08:30."},
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format=LOCAL_MINUTE),
    )


class DeliveryForm(forms.Form):
    """What a delivery brought: for each open line packs and price, what else came, and its charges."""

    id = forms.CharField(widget=forms.HiddenInput, max_length=100)
    occurred_at = MomentField(
        label="When it came",
        error_messages={"invalid": "This is not a moment; write it such as 2026-03-02T08:30."},
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format=LOCAL_MINUTE),
    )
    freight = amount_field("Freight")
    duty = amount_field("Duty")
    discount = amount_field("Discount")
    note = forms.CharField(label="Delivery note or remark", max_length=200, required=False)
    rest_comes = forms.BooleanField(label="What is missing is still to come", required=False, initial=True)

    def __init__(self, data: Any, lines: Sequence[PurchaseLine], **options: Any) -> None:
        super().__init__(data, **options)
        self.lines = lines
        for line in lines:
            name = f"{line.consumable.name}, {line.pack.name}"
            packs = amount_field(f"{name}: packs that came")
            packs.initial = exact(rounded(line.open_units / line.pack_units))
            price = amount_field(f"{name}: price charged for a pack")
            price.initial = exact(line.average_price)
            self.fields |= {
                f"packs-{line.pk}": packs,
                f"price-{line.pk}": price,
                f"lot-{line.pk}": _text_field(f"{name}: lot", 64),
                f"expires-{line.pk}": _day_field(f"{name}: expires on"),
            }
        consumables = Consumable.objects.order_by("name", "code")
        for number in range(UNEXPECTED_ROWS):
            label = f"Also came {number + 1}"
            self.fields |= {
                f"else-{number}": ConsumableField(
                    consumables, label=label, required=False, empty_label="nothing else"
                ),
                f"else-quantity-{number}": amount_field(f"{label}: quantity in its stock unit"),
                f"else-cost-{number}": amount_field(f"{label}: charged for all of it"),
                f"else-lot-{number}": _text_field(f"{label}: lot", 64),
                f"else-expires-{number}": _day_field(f"{label}: expires on"),
            }

    def head_fields(self) -> list[forms.BoundField]:
        """Return the fields about the whole delivery, except whether the rest comes."""
        return [self[name] for name in ("occurred_at", "freight", "duty", "discount", "note")]

    def rows(self) -> list[tuple[PurchaseLine, list[forms.BoundField]]]:
        """Return each line with its fields: packs, price, lot, expiry."""
        names = ("packs", "price", "lot", "expires")
        return [(line, [self[f"{name}-{line.pk}"] for name in names]) for line in self.lines]

    def unexpected_rows(self) -> list[list[forms.BoundField]]:
        """Return the fields for what was not ordered."""
        names = ("else", "else-quantity", "else-cost", "else-lot", "else-expires")
        return [[self[f"{name}-{number}"] for name in names] for number in range(UNEXPECTED_ROWS)]

    def clean(self) -> dict[str, Any]:
        """Refuse parts of what only comes whole, a price left out, and a delivery of nothing."""
        said: dict[str, Any] = super().clean() or self.cleaned_data
        for line in self.lines:
            self._check_line(line)
        for number in range(UNEXPECTED_ROWS):
            self._check_unexpected(number)
        if not self.errors and not self._receipt_lines():
            self.add_error(None, "Nothing came; give the packs of a line, or go back.")
        return said

    def _check_line(self, line: PurchaseLine) -> None:
        said = self.cleaned_data
        packs = said.get(f"packs-{line.pk}") or ZERO
        if packs and said.get(f"price-{line.pk}") is None and f"price-{line.pk}" not in self.errors:
            self.add_error(f"price-{line.pk}", "Give the price charged, 0 when it was free.")
        units = packs * line.pack_units
        if line.consumable.whole_problem(units):
            text = f"This is {hundredths_up(units)} {line.consumable.stock_unit}; give whole ones."
            self.add_error(f"packs-{line.pk}", text)

    def _check_unexpected(self, number: int) -> None:
        said = self.cleaned_data
        row: Consumable | None = said.get(f"else-{number}")
        quantity = said.get(f"else-quantity-{number}") or ZERO
        if row is None:
            if quantity and f"else-{number}" not in self.errors:
                self.add_error(f"else-{number}", "Choose what came.")
            return
        if not quantity:
            self.add_error(f"else-quantity-{number}", "Give how much of it came.")
        if said.get(f"else-cost-{number}") is None:
            self.add_error(f"else-cost-{number}", "Give what was charged, 0 when it was free.")
        if row.whole_problem(quantity):
            self.add_error(f"else-quantity-{number}", f"{row.name} comes whole; give a whole number.")

    def receipt(self, supplier: str, place: Place) -> Receipt:
        """Return the delivery, once the form is valid."""
        said = self.cleaned_data
        occurred_at: datetime = said["occurred_at"]
        return Receipt(
            id=said["id"],
            occurred_at=occurred_at,
            supplier=supplier,
            place=place.code,
            lines=tuple(self._receipt_lines()),
            freight=said["freight"] or ZERO,
            duty=said["duty"] or ZERO,
            discount=said["discount"] or ZERO,
            note=said["note"],
        )

    def _receipt_lines(self) -> list[ReceiptLine]:
        said = self.cleaned_data
        found = []
        for line in self.lines:
            if packs := said.get(f"packs-{line.pk}") or ZERO:
                cost = rounded(packs * said[f"price-{line.pk}"])
                found.append(self._line(line.consumable, packs * line.pack_units, cost, "", str(line.pk)))
        for number in range(UNEXPECTED_ROWS):
            if row := said.get(f"else-{number}"):
                quantity, cost = said[f"else-quantity-{number}"], said[f"else-cost-{number}"]
                found.append(self._line(row, quantity, cost, "else-", str(number)))
        return found

    def _line(
        self, consumable: Consumable, quantity: Decimal, cost: Decimal, start: str, end: str
    ) -> ReceiptLine:
        expires_on = self.cleaned_data[f"{start}expires-{end}"]
        lot = self.cleaned_data[f"{start}lot-{end}"]
        day = expires_on.isoformat() if expires_on else ""
        return ReceiptLine(consumable.code, rounded(quantity), cost, lot=lot, expires_on=day)


def now_as_written() -> str:
    """Return this minute on the current clocks, as a field takes it."""
    return timezone.localtime().strftime(LOCAL_MINUTE)
