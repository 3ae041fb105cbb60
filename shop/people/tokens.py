"""Tokens with which programs use the API in a person's name: stored hashed, named, with a day they end."""

from datetime import timedelta
from typing import Any

from django.db import models
from knox.models import AbstractAuthToken

from inventory.models import validate_name

LIFETIMES_DAYS = (7, 30, 90, 365)
MOST_PER_PERSON = 20


class ApiToken(AbstractAuthToken):  # type: ignore[misc] # its package has no types
    """One token; only its SHA-512 is kept, so it can be shown once only."""

    user: "models.ForeignKey[Any, Any]"
    name = models.CharField(max_length=60, validators=[validate_name])

    class Meta:
        app_label = "shop"
        ordering = ["-created", "digest"]

    def __str__(self) -> str:
        return self.name


def make_token(person: Any, name: str, days: int) -> tuple[ApiToken, str]:
    """Make a token that ends after so many days; return its row and the secret itself, never seen again."""
    row, secret = ApiToken.objects.create(user=person, expiry=timedelta(days=days), name=name)
    return row, secret
