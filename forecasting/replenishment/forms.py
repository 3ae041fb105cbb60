"""Forms of restocks: a quantity for each line, where differences are, and how stock is to be held."""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from django import forms

from forecasting.models import ConsumableTerms, RestockLine, StockingTerms
from forecasting.replenishment.discrepancies import Settlement
from inventory.decimals import PLACES
from inventory.documents import Problem
from inventory.models import Consumable, Place
from shop.common.page_fields import RowForm
from shop.common.text import exact

if TYPE_CHECKING:
    TermsFormBase = forms.ModelForm[StockingTerms]
    ConsumableFormBase = forms.ModelForm[ConsumableTerms]
else:
    TermsFormBase = ConsumableFormBase = forms.ModelForm

ADDED_ROWS = 2
LARGEST = Decimal(10_000_000)
WHERE = (("", "not known yet"), ("at_depot", "at the depot"), ("on_van", "on the van"), ("lost", "lost"))


def quantity_field(label: str, *, whole: bool, unit: str, initial: Decimal | None = None) -> Any:
    """Return a field for a quantity, 0 or more, that may be left empty."""
    return forms.DecimalField(
        label=label,
        required=False,
        min_value=0,
        max_value=LARGEST,
        decimal_places=0 if whole else PLACES,
        initial=None if initial is None else exact(initial),
        error_messages={
            "invalid": "This is not a number; write it such as 12 or 12.5.",
            "min_value": "This is negative; give 0 or more.",
            "max_value": f"This is above {LARGEST:,}; check the unit.",
            "max_decimal_places": "This is handed out whole; give a whole number."
            if whole
            else f"This has more than {PLACES} decimal places; round it.",
        },
        widget=forms.NumberInput(
            attrs={
                "inputmode": "numeric" if whole else "decimal",
                "step": "1" if whole else "any",
                "aria-label": f"{label} ({unit})",
            }
        ),
    )


class QuantitiesForm(forms.Form):
    """A quantity for each line of a restock, in the order of the lines."""

    def __init__(
        self,
        data: Any,
        lines: Sequence[RestockLine],
        what: str,
        initial: Callable[[RestockLine], Decimal | None],
    ) -> None:
        super().__init__(data)
        self.lines = lines
        for line in lines:
            consumable = line.consumable
            self.fields[self.name_of(line)] = quantity_field(
                f"{consumable.name}: {what}",
                whole=consumable.comes_whole,
                initial=initial(line),
                unit=consumable.stock_unit,
            )

    @staticmethod
    def name_of(line: RestockLine) -> str:
        """Return the name of a line's field."""
        return f"quantity-{line.pk}"

    def rows(self) -> list[tuple[RestockLine, forms.BoundField]]:
        """Return each line with its field."""
        return [(line, self[self.name_of(line)]) for line in self.lines]

    def quantities(self) -> dict[str, Decimal]:
        """Return the quantities by consumable code, once the form is valid; what is empty is 0."""
        return {
            line.consumable.code: self.cleaned_data[self.name_of(line)] or Decimal(0) for line in self.lines
        }

    def add_problems(self, problems: Sequence[Problem]) -> None:
        """Show what a step refused beside the line it is about."""
        names = {line.consumable.code: self.name_of(line) for line in self.lines}
        for problem in problems:
            self.add_error(names.get(problem.field), f"{problem.value} {problem.expected}".strip())


class RestockDraftForm(QuantitiesForm):
    """What to give of each line of a draft, and of consumables that are not on it."""

    def __init__(self, data: Any, lines: Sequence[RestockLine], further: Sequence[Consumable]) -> None:
        super().__init__(data, lines, "give", lambda line: line.asked_for)
        self.further = {consumable.code: consumable for consumable in further}
        choices = [("", "nothing more"), *((row.code, f"{row.name} ({row.stock_unit})") for row in further)]
        for number in range(ADDED_ROWS if further else 0):
            self.fields[f"consumable-{number}"] = forms.ChoiceField(
                label=f"Also give {number + 1}", choices=choices, required=False
            )
            self.fields[f"added-{number}"] = quantity_field(f"Quantity {number + 1}", whole=False, unit="")

    def added_rows(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        """Return the fields for further consumables."""
        return [(self[f"consumable-{n}"], self[f"added-{n}"]) for n in self._numbers()]

    def clean(self) -> None:
        """Refuse a consumable that is added twice, and a quantity of nothing named or of none given."""
        seen: set[str] = set()
        for number in self._numbers():
            code = self.cleaned_data.get(f"consumable-{number}")
            quantity = self.cleaned_data.get(f"added-{number}")
            if code and code in seen:
                self.add_error(f"consumable-{number}", "This is there already; add to that row.")
            elif code and not quantity and not self.errors.get(f"added-{number}"):
                self.add_error(f"added-{number}", "Say how much.")
            elif quantity and not code and not self.errors.get(f"consumable-{number}"):
                self.add_error(f"consumable-{number}", "Say of what.")
            seen.add(code or "")

    def quantities(self) -> dict[str, Decimal]:
        """Return the quantities by consumable code, those of further consumables among them."""
        added = {
            self.cleaned_data[f"consumable-{n}"]: self.cleaned_data[f"added-{n}"] for n in self._numbers()
        }
        added.pop("", None)
        return super().quantities() | added

    def _numbers(self) -> range:
        return range(ADDED_ROWS if self.further else 0)


class DifferencesForm(forms.Form):
    """For each open line a quantity and where it is."""

    def __init__(self, data: Any, lines: Sequence[RestockLine]) -> None:
        super().__init__(data)
        self.lines = lines
        for line in lines:
            name, consumable = line.consumable.name, line.consumable
            whole = consumable.comes_whole
            self.fields[f"quantity-{line.pk}"] = quantity_field(
                f"{name}: quantity", whole=whole, initial=abs(line.open), unit=consumable.stock_unit
            )
            self.fields[f"where-{line.pk}"] = forms.ChoiceField(
                label=f"{name}: where it is",
                choices=WHERE,
                required=False,
                widget=forms.Select(attrs={"aria-label": f"{name}: where it is"}),
            )
            self.fields[f"open-{line.pk}"] = forms.DecimalField(
                min_value=-LARGEST,
                max_value=LARGEST,
                initial=exact(line.open),
                widget=forms.HiddenInput,
            )

    def rows(self) -> list[tuple[RestockLine, forms.BoundField, forms.BoundField, forms.BoundField]]:
        """Return each line with its fields: quantity, where, open."""
        return [
            (line, self[f"quantity-{line.pk}"], self[f"where-{line.pk}"], self[f"open-{line.pk}"])
            for line in self.lines
        ]

    def settlements(self) -> dict[str, Settlement]:
        """Return what was said, by consumable code, once the form is valid."""
        said = {}
        for line in self.lines:
            if where := self.cleaned_data[f"where-{line.pk}"]:
                quantity = self.cleaned_data[f"quantity-{line.pk}"] or Decimal(0)
                open_ = self.cleaned_data[f"open-{line.pk}"]
                said[line.consumable.code] = Settlement(open_, **{where: quantity})
        return said


def without_zeros(form: forms.BaseForm) -> None:
    """Let a form show 0.98, not 0.9800."""
    for name, value in form.initial.items():
        if isinstance(value, Decimal):
            form.initial[name] = exact(value)


class RestockSettingsForm(RowForm, TermsFormBase):
    """How the shop restocks its vans."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        without_zeros(self)
        depot = self.fields["restock_from"]
        if isinstance(depot, forms.ModelChoiceField):
            depot.empty_label = "the only one"

    class Meta:
        model = StockingTerms
        fields = (
            "review_days",
            "van_lead_days",
            "restock_from",
            "service_stops_a_job",
            "service_a",
            "service_b",
            "service_c",
            "a_share",
            "b_share",
        )
        labels = {
            "review_days": "Days between restocks",
            "van_lead_days": "Days until the stock is on the van",
            "restock_from": "Depot that fills the vans",
            "service_stops_a_job": "Service for what stops a job",
            "service_a": "Service for class A",
            "service_b": "Service for class B",
            "service_c": "Service for class C",
            "a_share": "Share of the value used that is class A",
            "b_share": "Share that is class A or B",
        }
        error_messages = {
            "review_days": {"min_value": "There is a day or more between restocks; give 1 or more."},
            "van_lead_days": {
                "min_value": "This is negative; give 0 when the van is filled on the day of the draft."
            },
        }


class HoldingForm(RowForm, ConsumableFormBase):
    """How one consumable is held, and the room that each van has for it."""

    class Meta:
        model = ConsumableTerms
        fields = ("stops_a_job", "service", "usable_unit")
        labels = {
            "stops_a_job": "No job can go on without it",
            "service": "Service of its own",
            "usable_unit": "Handed out in units of",
        }

    def __init__(
        self, data: Any, terms: ConsumableTerms, vans: Sequence[Place], rooms: dict[int, Decimal]
    ) -> None:
        super().__init__(data, instance=terms)
        without_zeros(self)
        self.vans = vans
        consumable: Consumable = terms.consumable
        for van in vans:
            self.fields[f"room-{van.pk}"] = quantity_field(
                f"Room on {van.code}", whole=False, initial=rooms.get(van.pk), unit=consumable.stock_unit
            )

    def rooms(self) -> dict[int, Decimal | None]:
        """Return the room by place, None where a van has room for any quantity."""
        return {van.pk: self.cleaned_data[f"room-{van.pk}"] for van in self.vans}
