"""The forms that say what a customer wants done; lengths are read in the unit that the form shows."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django import forms
from django.core.validators import MaxValueValidator

from inventory.decimals import LAST_PLACE
from inventory.documents import LARGEST_MONEY, text_problem
from shop.common.amounts import MM_PER_INCH
from shop.common.phone_numbers import LONGEST_PHONE, phone_problem
from shop.estimating.prediction_intervals import Asked
from shop.estimating.quote_warnings import DamageSeen
from shop.jobs.close_data import LONGEST_LENGTH_MM
from shop.models import DamageType, GlassType, JobType, LengthUnit, Person, Shop, Van

CATCHES = {"": None, "yes": True, "no": False}
MM_PER_UNIT = {LengthUnit.MILLIMETRES: Decimal(1), LengthUnit.INCHES: MM_PER_INCH}


def unit_for(said: Mapping[str, str], person: Person, shop: Shop) -> LengthUnit:
    """Return the unit of lengths: the one said with them, so that an address means the same to all, or the
    person's."""
    unit = said.get("unit", "")
    return LengthUnit(unit) if unit in LengthUnit.values else person.length_unit_in(shop)


class OneLine(forms.CharField):
    """A text without line breaks or anything else that cannot be shown."""

    def __init__(self, *, max_length: int, **kwargs: Any) -> None:
        super().__init__(max_length=max_length, validators=[self._check], **kwargs)
        self.longest = max_length

    def problem(self, text: str) -> str | None:
        """Return what is wrong with a text."""
        return text_problem(text, self.longest)

    def _check(self, text: str) -> None:
        if found := self.problem(text):
            raise forms.ValidationError(found)


class PhoneField(OneLine):
    """A phone number, which may begin with a plus."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=LONGEST_PHONE, **kwargs)

    def problem(self, text: str) -> str | None:
        """Return what is wrong with a phone number."""
        return phone_problem(text)


class VanField(forms.ModelChoiceField):  # type: ignore[type-arg] # not generic while it runs
    """A van by the code it shares with its place."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(Van.objects.select_related("place"), to_field_name="place__code", **kwargs)

    def prepare_value(self, value: Any) -> Any:
        """Return the code of a van."""
        return value.code if isinstance(value, Van) else super().prepare_value(value)


class WorkForm(forms.Form):
    """Damage, glass and price; what is not known is left empty."""

    damage_type = forms.ModelChoiceField(
        DamageType.objects.all(), to_field_name="code", label="Damage", empty_label="Choose"
    )
    job_type = forms.ModelChoiceField(
        JobType.objects.all(), to_field_name="code", label="Job type", required=False, empty_label="Not known"
    )
    glass = forms.ModelChoiceField(
        GlassType.objects.all(), to_field_name="code", required=False, empty_label="Not known"
    )
    length = forms.DecimalField(min_value=0, decimal_places=4, required=False)
    depth = forms.ChoiceField(
        label="A fingernail catches",
        choices=[("", "Not known"), ("yes", "Yes"), ("no", "No")],
        required=False,
    )
    in_primary_view = forms.BooleanField(label="In the driver's primary viewing area", required=False)
    existing_damage = forms.CharField(
        label="Damage that was there before",
        required=False,
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    price = forms.DecimalField(
        label="Price", min_value=0, max_value=LARGEST_MONEY, decimal_places=4, required=False
    )

    unit = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, data: Any, unit: LengthUnit, currency: str, **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        self.mm_per_unit = MM_PER_UNIT[unit]
        self.initial["unit"] = unit.value
        length = self.fields["length"]
        length.label = f"Length in {unit.label}"
        length.validators.append(MaxValueValidator(LONGEST_LENGTH_MM / self.mm_per_unit))
        self.fields["price"].help_text = f"in {currency} net of tax; empty: the list price"

    @property
    def length_mm(self) -> Decimal | None:
        """The length of a valid form in millimetres."""
        length: Decimal | None = self.cleaned_data["length"]
        return None if length is None else (length * self.mm_per_unit).quantize(LAST_PLACE)

    @property
    def catches_fingernail(self) -> bool | None:
        """What a valid form says of the depth."""
        return CATCHES[self.cleaned_data["depth"]]


class EstimateForm(WorkForm):
    """What to estimate, by a query that can be kept."""

    def __init__(self, data: Any, unit: LengthUnit, currency: str, **kwargs: Any) -> None:
        super().__init__(data, unit, currency, **kwargs)
        self.fields["price"].label = "Price in mind"

    def asked(self) -> Asked:
        """Return what a valid form asks for."""
        said = self.cleaned_data
        return Asked(
            said["damage_type"].code,
            said["job_type"].code if said["job_type"] else "",
            said["glass"].code if said["glass"] else "",
            self.catches_fingernail,
            self.length_mm,
        )

    def seen(self) -> DamageSeen:
        """Return what a valid form says besides."""
        return DamageSeen(self.cleaned_data["in_primary_view"], self.cleaned_data["existing_damage"])
