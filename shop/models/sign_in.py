"""Sign-ins: devices, API tokens, and letters that anyone may ask for."""

from typing import Any

from django.contrib.sessions.models import Session
from django.db import models
from knox.models import AbstractAuthToken

from inventory.models import validate_name


class Device(models.Model):
    """A session of a person; it goes when the session goes."""

    session = models.OneToOneField(Session, on_delete=models.CASCADE, related_name="device")
    person = models.ForeignKey("shop.Person", on_delete=models.CASCADE, related_name="devices")
    words = models.CharField(max_length=60)
    network = models.CharField(max_length=60)
    last_seen_at = models.DateTimeField()

    class Meta:
        app_label = "shop"
        ordering = ["-last_seen_at", "pk"]

    def __str__(self) -> str:
        return self.words


class ApiToken(AbstractAuthToken):  # type: ignore[misc] # its package has no types
    """One token; only its SHA-512 is kept, so it can be shown once only."""

    user: "models.ForeignKey[Any, Any]"
    name = models.CharField(max_length=60, validators=[validate_name])

    class Meta:
        app_label = "shop"
        ordering = ["-created", "digest"]

    def __str__(self) -> str:
        return self.name


class LetterAsked(models.Model):
    """A request for a letter, to an address or from a client; neither can be read from it."""

    key = models.CharField(max_length=64)
    asked_at = models.DateTimeField(db_index=True)

    class Meta:
        app_label = "shop"
        indexes = [models.Index(fields=["key", "asked_at"], name="letter_asked_of_key")]

    def __str__(self) -> str:
        return f"asked for at {self.asked_at:%Y-%m-%d %H:%M}"
