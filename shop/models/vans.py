"""Vans, and the technicians who drive them."""

from django.db import models

from inventory.models import Place, validate_code, validate_name
from shop.models.people import Person


class Van(models.Model):
    """A van; its stock is at its place, which has the same code."""

    place = models.OneToOneField(Place, on_delete=models.PROTECT, related_name="van")
    registration = models.CharField(max_length=32, blank=True, validators=[validate_name])

    class Meta:
        ordering = ["place__code"]

    def __str__(self) -> str:
        return self.place.code

    @property
    def code(self) -> str:
        """The code the van and its place share."""
        return self.place.code


class Technician(models.Model):
    """Someone who repairs glass, with or without a sign-in."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, blank=True, validators=[validate_name])
    person = models.OneToOneField(
        Person, null=True, blank=True, on_delete=models.SET_NULL, related_name="technician"
    )
    van = models.ForeignKey(Van, null=True, blank=True, on_delete=models.SET_NULL, related_name="technicians")

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name or self.code
