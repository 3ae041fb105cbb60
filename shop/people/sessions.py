"""Where a person is signed in: a row beside each Django session, with what distinguishes devices."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth import SESSION_KEY
from django.contrib.auth.signals import user_logged_in
from django.contrib.sessions.models import Session
from django.core.cache import cache
from django.db import IntegrityError, models
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from shop.models import Device
from shop.people.client_info import device_words, rough_network
from shop.people.login_throttle import address_of

# How often a device is recorded as seen.
NOTED_EVERY = timedelta(hours=1)


def note_device(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Keep when devices that are signed in were seen."""

    def middleware(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        # A program may send its token and somebody else's session; then the session is not its device.
        if request.session.accessed and request.session.get(SESSION_KEY) == str(request.user.pk):
            _keep(request, request.user)
        return response

    return middleware


@receiver(user_logged_in)
def note_sign_in(request: HttpRequest, user: Any, **_: Any) -> None:
    """Keep from which device somebody signs in."""
    _keep(request, user)


def _keep(request: HttpRequest, person: Any) -> None:
    """Record that a device was seen; each process remembers for a while that it did."""
    key = request.session.session_key
    seconds = int(NOTED_EVERY.total_seconds())
    if key is None or not cache.add(f"device-noted:{key}", value=True, timeout=seconds):
        return
    found = {
        "person": person,
        "words": device_words(request.headers.get("User-Agent", "")),
        "network": rough_network(address_of(request)),
        "last_seen_at": timezone.now(),
    }
    try:
        Device.objects.update_or_create(session_id=key, defaults=found)
    except IntegrityError:
        return  # the session was ended meanwhile


def devices_of(person: Any) -> "models.QuerySet[Device]":
    """Return where a person is signed in, the latest seen first."""
    return Device.objects.filter(person=person, session__expire_date__gt=timezone.now())


def forget_expired(now: datetime) -> int:
    """Delete the sessions that have ended by themselves, each with its device; return how many."""
    expired = Session.objects.filter(expire_date__lt=now)
    found = expired.count()
    expired.delete()
    return found


def end(devices: "models.QuerySet[Device]") -> int:
    """End the sessions of these devices; return how many."""
    keys = list(devices.values_list("session_id", flat=True))
    Session.objects.filter(pk__in=keys).delete()
    return len(keys)
