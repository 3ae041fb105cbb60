"""What an owner says of a person, and what a person says of an own token."""

from typing import TYPE_CHECKING, Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Q

from inventory.models import validate_name
from shop.common.page_fields import RowForm
from shop.models import LengthUnit, Person, Role, Technician, Van, the_shop
from shop.people.tokens import LIFETIMES_DAYS

if TYPE_CHECKING:
    PersonFormBase = forms.ModelForm[Person]
else:
    PersonFormBase = forms.ModelForm


class VanChoice(forms.ModelChoiceField):  # type: ignore[type-arg]
    """Vans by their code."""

    def __init__(self) -> None:
        super().__init__(
            Van.objects.select_related("place"),
            required=False,
            empty_label="No van yet",
            help_text="A technician sees and writes this van only.",
        )


class TechnicianChoice(forms.ModelChoiceField):  # type: ignore[type-arg]
    """Technicians' records that nobody else signs in as."""

    def __init__(self) -> None:
        super().__init__(
            Technician.objects.none(),
            required=False,
            empty_label="A new one under the sign-in name",
            label="Technician's record",
            help_text="Jobs and rates belong to it. Only for a technician.",
        )


class RoleForm(forms.Form):
    """The role of a person, and a technician's record and van."""

    role = forms.ChoiceField(choices=Role.choices)
    technician = TechnicianChoice()
    van = VanChoice()

    def __init__(self, person: Person | None, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        free = Q(person=None) | Q(person=person) if person and person.pk else Q(person=None)
        self.fields["technician"].queryset = Technician.objects.filter(free)  # type: ignore[attr-defined]


class NewPersonForm(PersonFormBase):
    """A person to add."""

    technician = TechnicianChoice()
    van = VanChoice()
    field_order = ["username", "first_name", "last_name", "email", "role", "technician", "van"]

    class Meta:
        model = Person
        fields = ["username", "first_name", "last_name", "email", "role"]
        labels = {"username": "Sign-in name", "email": "E-mail address"}
        help_texts = {
            "username": "Documents keep it, so it stays as it is.",
            "email": "The link goes there.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["email"].required = True
        free = Technician.objects.filter(person=None)
        self.fields["technician"].queryset = free  # type: ignore[attr-defined]

    def clean_email(self) -> str:
        """Refuse an address that somebody active has: a forgotten password would be theirs to set."""
        email: str = self.cleaned_data["email"]
        if other := Person.objects.filter(email__iexact=email, is_active=True).first():
            raise ValidationError(f"{other} ({other.username}) has this address already")
        return email


class LengthsForm(RowForm, PersonFormBase):
    """In which unit a person reads and types lengths."""

    class Meta:
        model = Person
        fields = ["length_unit"]
        labels = {"length_unit": "Lengths are shown to you in"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        unit = the_shop().get_length_unit_display()
        own = self.fields["length_unit"]
        own.choices = [("", f"as the shop: {unit}"), *LengthUnit.choices]  # type: ignore[attr-defined]
        own.help_text = ""


class TokenForm(forms.Form):
    """A token to make."""

    name = forms.CharField(
        max_length=60,
        validators=[validate_name],
        help_text="What will use it, such as: phone of the office.",
    )
    days = forms.TypedChoiceField(
        label="Ends after",
        coerce=int,
        initial=90,
        choices=[(days, f"{days} days") for days in LIFETIMES_DAYS],
    )
