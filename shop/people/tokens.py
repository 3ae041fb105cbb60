"""Tokens with which programs use the API in a person's name: stored hashed, named, with a day they end."""

from datetime import timedelta
from typing import Any

from shop.models import ApiToken

LIFETIMES_DAYS = (7, 30, 90, 365)
MOST_PER_PERSON = 20


def make_token(person: Any, name: str, days: int) -> tuple[ApiToken, str]:
    """Make a token that ends after `days`; return its row and the secret, which is never shown again."""
    row, secret = ApiToken.objects.create(user=person, expiry=timedelta(days=days), name=name)
    return row, secret
