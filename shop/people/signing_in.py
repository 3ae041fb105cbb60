"""Signing in: from which address somebody asks, and until when too many wrong passwords shut the door."""

from datetime import timedelta
from ipaddress import ip_address
from typing import Any

from axes.models import AccessAttempt
from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone


def address_of(request: HttpRequest) -> str | None:
    """Return the address a request comes from; None when it cannot be told.

    Each of settings.PROXIES adds the address it was asked from at the end of X-Forwarded-For; what stands
    before those was written by whoever asks and is not believed.
    """
    said: str = request.META.get("REMOTE_ADDR", "")
    if settings.PROXIES:
        forwarded = request.headers.get("X-Forwarded-For", "").split(",")
        if len(forwarded) >= settings.PROXIES:
            said = forwarded[-settings.PROXIES].strip()
    try:
        return str(ip_address(said))
    except ValueError:
        return None


def try_later(
    request: HttpRequest,
    _answer: HttpResponse | None = None,
    credentials: dict[str, Any] | None = None,
) -> HttpResponse:
    """Answer 429 with the page that says when to try again, whether or not there is such a person."""
    wait: timedelta = settings.AXES_COOLOFF_TIME
    name = (credentials or {}).get("username") or request.POST.get("username", "")
    last = (
        AccessAttempt.objects.filter(username=name, ip_address=address_of(request))
        .order_by("-attempt_time")
        .values_list("attempt_time", flat=True)
        .first()
    )
    now = timezone.now()
    until = (last or now) + wait
    seconds = max(int((until - now).total_seconds()) + 1, 1)
    # Rounded up to the minute shown, so that trying at that minute works.
    shown = until + timedelta(minutes=1)
    context = {"title": "Try again later", "until": shown, "minutes": -(-seconds // 60)}
    answer = render(request, "shop/people/try_later.html", context, status=429)
    answer["Retry-After"] = str(seconds)
    return answer
