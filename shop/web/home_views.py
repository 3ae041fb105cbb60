"""Pages for people: signing in and out, and the first page of each role."""

from typing import Any

from django.contrib.auth.decorators import login_required
from django.contrib.auth.views import LoginView, LogoutView
from django.db.models import F, OuterRef, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory.models import REAL_KINDS, Books, Holding, LowLevel
from inventory.reports.stock_on_hand import low_stock
from shop.common.pagination import page_of
from shop.models import Job, JobStatus, Person, Role, Shop, in_shop_zone, the_shop
from shop.people.client_info import is_phone
from shop.people.permissions import OwnVan, is_person, own_van, person_of, role_of
from shop.profitability.margins import margin_report
from shop.web.margin_bars import bar_for, margin_row
from shop.web.worklist import waiting_for


class SignIn(LoginView):
    """The sign-in page."""

    template_name = "shop/sign_in.html"
    http_method_names = ["get", "head", "post"]
    extra_context = {"title": "Sign in"}

    def get_success_url(self) -> str:
        """Return where to go: on a phone a technician's day starts with the phone's page, not the desk."""
        chosen = super().get_success_url()
        is_technician = role_of(person_of(self.request)) == Role.TECHNICIAN
        if is_technician and chosen == reverse("home") and is_phone(self.request.headers):
            return reverse("phone:app")
        return chosen


class SignOut(LogoutView):
    """Signs out, by POST only, and returns to the sign-in page."""


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
    context = {"shop": shop, "waiting": waiting_for(person), **found}
    return render(request, f"shop/home_{page}.html", context)


def _margins(shop: Shop) -> dict[str, Any]:
    groups = margin_report("damage_type")
    target = float(shop.target_margin_percent) / 100
    bar = bar_for(groups, target)
    return {
        "title": "Margin by damage type",
        "rows": [margin_row(group, bar) for group in groups],
        "bar": bar,
        "target": bar.position(target),
        "zero": bar.position(0.0),
        "digits": Books.objects.get().minor_unit_digits,
    }


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
    return {
        "title": f"{own.code} today",
        "van": own.van,
        "low": list(low_stock().filter(place=own.van.place_id)),
        "jobs": page_of(request, _due_jobs(own, shop), "jobs"),
        "stock": page_of(
            request, _holdings().filter(place=own.van.place_id).order_by("consumable__code"), "stock"
        ),
        "today": in_shop_zone(timezone.now(), shop).date(),
        "length_unit": person.length_unit_in(shop),
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
