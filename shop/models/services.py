"""Customers, what is damaged, and the priced services with their standards."""

from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from inventory.db.fixed_point import FixedPointField
from inventory.models import Consumable, validate_code, validate_name
from shop.common.phone_numbers import LONGEST_PHONE, phone_problem
from shop.models.business import NOT_NEGATIVE


def validate_phone(value: str) -> None:
    """Refuse a phone number that cannot be shown or exported safely."""
    if found := phone_problem(value):
        raise ValidationError(f"{value!r} {found}")


class Customer(models.Model):
    """Who pays for a job."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, validators=[validate_name])
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=LONGEST_PHONE, blank=True, validators=[validate_phone])

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class Site(models.Model):
    """Where a customer's glass is."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="sites")
    name = models.CharField(max_length=200, validators=[validate_name])
    address = models.TextField(blank=True)

    class Meta:
        ordering = ["customer__code", "name"]
        constraints = [models.UniqueConstraint(fields=["customer", "name"], name="site_once")]

    def __str__(self) -> str:
        return f"{self.customer}, {self.name}"


class DamageType(models.Model):
    """A kind of damage."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class GlassType(models.Model):
    """A kind of glass, with the caution that goes with it."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    caution = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class JobType(models.Model):
    """A priced service, with the minutes and consumables it should take."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, blank=True, validators=[validate_name])
    list_price = FixedPointField(default=Decimal(0), validators=[NOT_NEGATIVE], help_text="net of tax")
    standard_minutes = FixedPointField(default=Decimal(0), validators=[NOT_NEGATIVE])

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name or self.code


class StandardUse(models.Model):
    """What a service should take of one consumable."""

    job_type = models.ForeignKey(JobType, on_delete=models.CASCADE, related_name="standard_uses")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    quantity = FixedPointField(validators=[NOT_NEGATIVE])
    minutes = FixedPointField(default=Decimal(0), validators=[NOT_NEGATIVE])
    finishing = models.BooleanField(default=False, help_text="a last step: without it the glass is not clear")

    class Meta:
        ordering = ["job_type__code", "consumable__code"]
        constraints = [
            models.UniqueConstraint(fields=["job_type", "consumable"], name="standard_use_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=0, minutes__gte=0), name="standard_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job_type}: {self.quantity:f} {self.consumable}"
