"""How many letters anyone may have us send: a few an hour to one address, and from one client.

Counted in the database, so that it holds over all processes. What is asked for counts whether or not somebody
has the address, so nothing can be learned from it.
"""

import unicodedata
from datetime import datetime, timedelta

from django.utils.crypto import salted_hmac
from django.utils.timezone import localtime

from shop.models import LetterAsked
from shop.people.client_info import one_client

PERIOD = timedelta(hours=1)
MOST_TO_ONE = 3
MOST_FROM_ONE = 20


def refused_until(letter: str, to: str, client: str | None, now: datetime) -> datetime | None:
    """Count one more letter of a kind to an address, asked for from a client's address.

    Return from when on it may be asked for, None when it may go now. What is refused does not count. Each
    asking is kept before it counts those of others, so of many at the same moment never too many may go.
    """
    LetterAsked.objects.filter(asked_at__lt=now - PERIOD).delete()
    to = unicodedata.normalize("NFKC", to).casefold()
    limits = {_key(letter, "to", to): MOST_TO_ONE, _key(letter, "from", one_client(client)): MOST_FROM_ONE}
    own = [LetterAsked.objects.create(key=key, asked_at=now) for key in limits]
    until = max(filter(None, (_full_until(row, limits[row.key]) for row in own)), default=None)
    if until is not None:
        LetterAsked.objects.filter(pk__in=[row.pk for row in own]).delete()
    return until


def minute_after(until: datetime) -> str:
    """Return the first full minute of the shop's clock at which it may be asked for again."""
    return f"{localtime(until + timedelta(minutes=1)):%H:%M}"


def _key(*parts: str) -> str:
    """Return a digest that only this deployment can make of an address."""
    return salted_hmac("shop.people.letter_limit", "\n".join(parts), algorithm="sha256").hexdigest()


def _full_until(own: LetterAsked, most: int) -> datetime | None:
    """Return when the oldest of the `most` latest others stops to count, None where there are fewer."""
    others = LetterAsked.objects.filter(key=own.key).exclude(pk=own.pk).order_by("-asked_at")
    counted = list(others.values_list("asked_at", flat=True)[:most])
    return counted[-1] + PERIOD if len(counted) == most else None
