"""Pages for people: signing in and out, and the first page of each role."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Any

from django.contrib.auth.decorators import login_required
from django.contrib.auth.views import LoginView, LogoutView
from django.core.paginator import Page, Paginator
from django.db.models import F, OuterRef, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory.models import REAL_KINDS, Books, Holding, LowLevel
from inventory.stock import LowRow, low_stock
from shop.access import OwnVan, is_person, own_van, role_of
from shop.margins import GroupMargin, margin_report
from shop.models import Job, JobStatus, Person, Role, Shop, in_shop_zone, the_shop

ROWS_PER_PAGE = 50
BAR_WIDTH = 100.0


class SignIn(LoginView):
    """The sign-in page."""

    template_name = "shop/sign_in.html"
    http_method_names = ["get", "head", "post"]
    extra_context = {"title": "Sign in"}


class SignOut(LogoutView):
    """Signs out, by POST only, and returns to the sign-in page."""


@dataclass(frozen=True, slots=True)
class Bar:
    """The scale of the interval bars, from a lowest to a highest margin ratio."""

    low: float
    high: float

    def position(self, ratio: float) -> float:
        """Return where a ratio lies, in hundredths of the width; what is beyond an end lies at that end."""
        within = min(max(ratio, self.low), self.high)
        return round(BAR_WIDTH * (within - self.low) / (self.high - self.low), 2)


@dataclass(frozen=True, slots=True)
class MarginRow:
    """A group's margin with its place on the bar."""

    group: GroupMargin
    start: float | None
    width: float | None
    point: float | None


@never_cache
@require_safe
@login_required
def home(request: HttpRequest) -> HttpResponse:
    """Show each role what it starts the day with."""
    person = request.user
    assert is_person(person)  # noqa: S101 - login_required let no one else in
    shop = the_shop()
    match role_of(person):
        case Role.TECHNICIAN:
            page, found = "van", _van(request, person, shop)
        case Role.STOREKEEPER:
            page, found = "stock", _stock(request)
        case role:
            page, found = "margins", {**_margins(shop), "is_owner": role == Role.OWNER}
    return render(request, f"shop/home_{page}.html", {"shop": shop, **found})


def _margins(shop: Shop) -> dict[str, Any]:
    groups = margin_report("damage_type")
    target = float(shop.target_margin_percent) / 100
    bar = _bar_for(groups, target)
    return {
        "title": "Margin by damage type",
        "rows": [_margin_row(group, bar) for group in groups],
        "bar": bar,
        "target": bar.position(target),
        "zero": bar.position(0.0),
        "digits": Books.objects.get().minor_unit_digits,
    }


def _bar_for(groups: Sequence[GroupMargin], target: float) -> Bar:
    """Return a bar on which zero, the target and all ratios and intervals fit, as far as -100% to 100%."""
    shown = [ratio for group in groups for ratio in (group.low, group.ratio, group.high) if ratio is not None]
    low, high = min(0.0, *shown, target), max(0.1, *shown, target)
    return Bar(max(floor(low * 10) / 10, -1.0), min(ceil(high * 10) / 10, 1.0))


def _margin_row(group: GroupMargin, bar: Bar) -> MarginRow:
    start = None if group.low is None else bar.position(group.low)
    return MarginRow(
        group=group,
        start=start,
        width=None if start is None or group.high is None else max(bar.position(group.high) - start, 1.0),
        point=None if group.ratio is None else bar.position(group.ratio),
    )


def _stock(request: HttpRequest) -> dict[str, Any]:
    holdings = _holdings().order_by("place__code", "consumable__code")
    return {
        "title": "Stock by place",
        "low": page_of(request, low_stock(), "low"),
        "stock": page_of(request, holdings, "stock"),
    }


def _van(request: HttpRequest, person: Person, shop: Shop) -> dict[str, Any]:
    own = own_van(person)
    if own is None:
        return {"title": "No van yet"}
    low: list[LowRow] = [row for row in low_stock() if row.place == own.code]
    return {
        "title": f"{own.code} today",
        "van": own.van,
        "low": low,
        "jobs": page_of(request, _due_jobs(own, shop), "jobs"),
        "stock": page_of(
            request, _holdings().filter(place=own.van.place_id).order_by("consumable__code"), "stock"
        ),
        "today": in_shop_zone(timezone.now(), shop).date(),
    }


def _holdings() -> QuerySet[Holding, Holding]:
    """Return what is at real places, with its low level."""
    level = LowLevel.objects.filter(place=OuterRef("place"), consumable=OuterRef("consumable"))
    held = Holding.objects.filter(place__kind__in=REAL_KINDS).exclude(quantity=0)
    return held.select_related("place", "consumable").annotate(level=Subquery(level.values("quantity")))


def _due_jobs(own: OwnVan, shop: Shop) -> QuerySet[Job]:
    """Return what is booked for today, and what was booked for earlier and is still open."""
    today = in_shop_zone(timezone.now(), shop).date()
    due = own.jobs().filter(status=JobStatus.BOOKED, booked_for__lte=today)
    return due.select_related("site__customer", "job_type", "damage_type", "glass").order_by(
        F("booked_for").desc(), "reference"
    )


def page_of(request: HttpRequest, rows: Sequence[Any] | QuerySet[Any, Any], name: str) -> Page[Any]:
    """Return the page of rows that the query asks for under `name`; or the nearest one."""
    return Paginator(rows, ROWS_PER_PAGE).get_page(request.GET.get(name))
