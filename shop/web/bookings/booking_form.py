"""The form that books a job or changes its booking."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict

from inventory.decimals import LAST_PLACE
from shop.common.page_fields import DayField
from shop.common.text import exact
from shop.models import Job, JobStatus, LengthUnit, Technician
from shop.web.bookings.customer_fields import Whose, find_or_make
from shop.web.bookings.next_reference import next_free
from shop.web.bookings.work_form import CATCHES, MM_PER_UNIT, OneLine, PhoneField, VanField, WorkForm

FIRST_REFERENCE = "B-0001"
OFFERED = {"list": "customers", "autocomplete": "off"}


class BookingForm(WorkForm):
    """A van and a day for work, and whose glass it is."""

    booked_for = DayField(label="Day")
    van = VanField(empty_label="Choose")
    technician = forms.ModelChoiceField(
        Technician.objects.all(),
        to_field_name="code",
        required=False,
        empty_label="The technician of the van",
    )
    customer = OneLine(
        label="Customer",
        max_length=200,
        required=False,
        help_text="name or code; empty: not known",
        widget=forms.TextInput(attrs=OFFERED),
    )
    new_customer = forms.BooleanField(label="New customer", required=False)
    phone = PhoneField(label="Phone of a new customer", required=False)
    site = OneLine(
        label="Site",
        max_length=200,
        required=False,
        help_text="a known one, or the name of a new one; empty: the customer's only one",
    )
    address = forms.CharField(
        label="Address of a new site",
        max_length=500,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    callback_of = OneLine(
        label="Callback of", max_length=64, required=False, help_text="the reference of the job it repeats"
    )
    note = forms.CharField(max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 2}))
    field_order: tuple[str, ...] = (
        *("booked_for", "van", "technician", "job_type", "damage_type", "glass", "length", "depth"),
        *("price", "in_primary_view", "existing_damage", "customer", "new_customer", "phone", "site"),
        *("address", "callback_of", "note"),
    )

    def __init__(self, data: Any, unit: LengthUnit, currency: str, **kwargs: Any) -> None:
        super().__init__(data, unit, currency, **kwargs)
        for name in ("job_type", "glass"):
            self.fields[name].required = True
        for name in ("damage_type", "job_type", "glass"):
            field = self.fields[name]
            assert isinstance(field, forms.ModelChoiceField)  # noqa: S101 - for mypy; declared so
            field.empty_label = "Choose"

    def clean_callback_of(self) -> Job | None:
        """Return the job that is repeated."""
        reference = self.cleaned_data["callback_of"]
        if not reference:
            return None
        job = Job.objects.filter(reference=reference).first()
        if job is None:
            raise ValidationError("There is no job of that reference.")
        return job

    def said(self) -> dict[str, Any]:
        """Return the fields of Job that a valid form gives, the site found or made.

        Raises ValidationError for `customer` or `site`.
        """
        cleaned = self.cleaned_data
        names = ("booked_for", "van", "technician", "job_type", "damage_type", "glass", "in_primary_view")
        price = cleaned["price"]
        return {
            **{name: cleaned[name] for name in names},
            "status": JobStatus.BOOKED,
            "length_mm": self.length_mm,
            "catches_fingernail": self.catches_fingernail,
            "existing_damage": cleaned["existing_damage"],
            "price": cleaned["job_type"].list_price if price is None else price,
            "callback_of": cleaned["callback_of"],
            "note": cleaned["note"],
            "site": find_or_make(
                Whose(
                    cleaned["customer"],
                    cleaned["new_customer"],
                    cleaned["phone"],
                    cleaned["site"],
                    cleaned["address"],
                )
            ),
        }


class NewBookingForm(BookingForm):
    """A booking of a job that has none yet, under the next free reference unless another is given."""

    reference = OneLine(max_length=64)
    field_order = ("reference", *BookingForm.field_order)

    def propose_anew(self, reference: str) -> None:
        """Show another reference than the one that was sent."""
        data = QueryDict(mutable=True)
        data.update(self.data)
        data["reference"] = reference
        self.data = data


def next_reference() -> str:
    """Return the reference after that of the latest job that was booked: two queries, hardly ever more."""
    booked = Job.objects.filter(booked_for__isnull=False).order_by("-pk")
    latest = booked.values_list("reference", flat=True).first() or ""
    return next_free(
        latest,
        FIRST_REFERENCE,
        lambda codes: Job.objects.filter(reference__in=codes).values_list("reference", flat=True),
    )


def as_asked(query: Mapping[str, str], today: date) -> dict[str, Any]:
    """Return what a new booking starts with: what the page before it said, for the next day."""
    return {**query, "booked_for": query.get("booked_for", today + timedelta(days=1))}


def as_booked(job: Job, unit: LengthUnit) -> dict[str, Any]:
    """Return the values of a booking as its form shows them, the length in a unit."""
    depths = {value: key for key, value in CATCHES.items()}
    length = job.length_mm
    return {
        "booked_for": job.booked_for,
        "van": job.van.code,
        "technician": job.technician.code if job.technician else "",
        "job_type": job.job_type.code,
        "damage_type": job.damage_type.code,
        "glass": job.glass.code,
        "length": "" if length is None else exact((length / MM_PER_UNIT[unit]).quantize(LAST_PLACE)),
        "depth": depths[job.catches_fingernail],
        "in_primary_view": job.in_primary_view,
        "existing_damage": job.existing_damage,
        "price": exact(job.price),
        # The code: several may have the same name.
        "customer": job.site.customer.code if job.site else "",
        "site": job.site.name if job.site else "",
        "callback_of": job.callback_of.reference if job.callback_of else "",
        "note": job.note,
    }
