"""The page of the audit trail."""

from datetime import date
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from shop.common.pagination import ROWS_PER_PAGE
from shop.models import Person, Role
from shop.people.audit_log import TrailPosition, Wanted, acts, kinds
from shop.people.permissions import for_roles

MOST_SUGGESTED = 200


@never_cache
@require_safe
@for_roles(Role.OWNER)
def trail(request: HttpRequest) -> HttpResponse:
    """Show who did what, the latest first, by person, kind and day."""
    asked = {name: request.GET.get(name, "").replace("\0", "").strip() for name in ("kind", "who", "day")}
    kind = asked["kind"] if asked["kind"] in kinds() else ""
    day, day_problem = _day(asked["day"])
    after = TrailPosition.read(request.GET.get("after", ""))
    found = acts(Wanted(kind, asked["who"], day), after, ROWS_PER_PAGE + 1)
    shown = found[:ROWS_PER_PAGE]
    here = {name: value for name, value in {**asked, "kind": kind}.items() if value}
    further = urlencode({**here, "after": str(shown[-1].place)}) if len(found) > ROWS_PER_PAGE else ""
    context = {
        "title": "Audit log",
        "acts": shown,
        "kinds": kinds(),
        "kind": kind,
        "who": asked["who"],
        "day": asked["day"],
        "day_problem": day_problem,
        "names": Person.objects.order_by("username").values_list("username", flat=True)[:MOST_SUGGESTED],
        "further": further,
        "newest": urlencode(here) if after else "",
        "after": after,
    }
    return render(request, "shop/people/trail.html", context)


def _day(text: str) -> tuple[date | None, str]:
    """Return the day that was typed, and what is wrong with it."""
    if not text:
        return None, ""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None, f"{text} is not a day; write it like 2026-03-02. All days are shown."
    if not 2000 <= day.year <= 2100:
        return None, f"{text} is outside the years 2000 to 2100. All days are shown."
    return day, ""
