"""Signing in: the client's address, and how long too many wrong passwords lock it out."""

from datetime import timedelta
from ipaddress import ip_address
from typing import Any

from axes.handlers.database import AxesDatabaseHandler
from axes.models import AccessAttempt, AccessLog
from django.conf import settings
from django.db.models import Max, QuerySet, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from shop.people.client_info import one_client

# Of one name from all clients, and from one client for all names, in a quarter of an hour. OWASP ASVS 4.0.3,
# requirement 2.2.1, allows 100 an hour for a name.
MOST_WRONG_IN_ALL = 25


def address_of(request: HttpRequest) -> str | None:
    """Return the address a request comes from; None when it is unknown.

    Each of settings.PROXIES adds the address it was asked from at the end of X-Forwarded-For; what stands
    before those was written by the client and is not trusted.
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


def client_of(request: HttpRequest) -> str | None:
    """Return the address that identifies a client: of IPv6 its network's, as a client has them all."""
    address = address_of(request)
    return None if address is None else one_client(address).partition("/")[0]


class SignInLimit(AxesDatabaseHandler):  # type: ignore[misc] # the library has no types
    """Locks out a name and client, a name tried from many clients, and a client that tries many names.

    A person who signed in from a client before still may from there, so that nobody can shut others out.
    """

    def get_failures(self, request: HttpRequest, credentials: dict[str, Any] | None = None) -> int:
        """Return how many wrong passwords count against who asks now."""
        failures: int = super().get_failures(request, credentials)
        name, client = (credentials or {}).get("username"), client_of(request)
        if not name or AccessLog.objects.filter(username=name, ip_address=client).exists():
            return failures
        recent = AccessAttempt.objects.filter(attempt_time__gt=timezone.now() - settings.AXES_COOLOFF_TIME)
        in_all = max(_wrong(recent.filter(username=name)), _wrong(recent.filter(ip_address=client)))
        return max(failures, settings.AXES_FAILURE_LIMIT) if in_all >= MOST_WRONG_IN_ALL else failures


def _wrong(attempts: QuerySet[AccessAttempt]) -> int:
    """Return how many wrong passwords attempts count."""
    return attempts.aggregate(wrong=Sum("failures_since_start"))["wrong"] or 0


def try_later(
    request: HttpRequest,
    _answer: HttpResponse | None = None,
    credentials: dict[str, Any] | None = None,
) -> HttpResponse:
    """Answer 429 with the page that says when to try again, whether or not there is such a person."""
    wait: timedelta = settings.AXES_COOLOFF_TIME
    name = (credentials or {}).get("username") or request.POST.get("username", "")
    of_name = AccessAttempt.objects.filter(username=name)
    here = of_name.filter(ip_address=client_of(request))
    is_shut_here = _wrong(here) >= settings.AXES_FAILURE_LIMIT
    last = (here if is_shut_here else of_name).aggregate(last=Max("attempt_time"))["last"]
    now = timezone.now()
    until = (last or now) + wait
    seconds = max(int((until - now).total_seconds()) + 1, 1)
    # Rounded up to the minute shown, so that trying at that minute works.
    shown = until + timedelta(minutes=1)
    context = {"title": "Try again later", "until": shown, "minutes": -(-seconds // 60)}
    answer = render(request, "shop/people/try_later.html", context, status=429)
    answer["Retry-After"] = str(seconds)
    return answer
