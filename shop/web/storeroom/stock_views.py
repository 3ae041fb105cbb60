"""What is where: stock by place with days of cover and expiry, and the movements of one consumable."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import F, OuterRef, Q, QuerySet, Subquery, Sum
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from inventory.models import REAL_KINDS, Consumable, Holding, LowLevel, Movement, Place, PlaceKind
from inventory.reports.expiring_stock import expiring
from shop.common.pagination import page_of
from shop.common.text import exact
from shop.models import Role, the_shop
from shop.people.permissions import for_roles, person_of, role_of
from shop.web.code_select import options_of
from shop.web.storeroom.minimum_stock_form import LevelForm

# Days of cover rest on the use of so many days; a burn forecast says more.
USE_DAYS = 56
EXPIRY_DAYS = 60
EXPIRIES_LISTED = 3
SORTS = {
    "place": ("place__code", "consumable__code"),
    "consumable": ("consumable__code", "place__code"),
    "least": ("quantity", "place__code", "consumable__code"),
}


@dataclass(frozen=True, slots=True)
class HeldRow:
    """A holding as shown: its days of cover (None: not used recently) and what is to expire soon."""

    holding: Holding
    level: Decimal | None
    cover_days: int | None
    expires: tuple[tuple[date, Decimal], ...]

    @property
    def expires_first(self) -> tuple[tuple[date, Decimal], ...]:
        """The first of what is to expire, for a list; the page of the item has all."""
        return self.expires[:EXPIRIES_LISTED]

    @property
    def expires_further(self) -> int:
        """How many lots more are to expire."""
        return len(self.expires[EXPIRIES_LISTED:])


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER, Role.ACCOUNTANT)
@require_safe
def stock(request: HttpRequest) -> HttpResponseBase:
    """List what is held, by place and consumable."""
    sort = request.GET.get("sort", "place")
    held = _holdings(request.GET.get("place", ""), request.GET.get("q", "").strip(), request.GET.get("only"))
    rows = page_of(request, held.order_by(*SORTS.get(sort, SORTS["place"])), "page")
    rows.object_list = _lines(list(rows.object_list))
    page = {
        "title": "Stock",
        "shop": the_shop(),
        "rows": rows,
        "places": options_of(Place.objects.filter(kind__in=REAL_KINDS).values_list("code", flat=True)),
        "chosen": request.GET,
        "sort": sort,
        "may_change": role_of(person_of(request)) != Role.ACCOUNTANT,
        "use_days": USE_DAYS,
        "expiry_days": EXPIRY_DAYS,
    }
    return render(request, "shop/storeroom/stock.html", page)


@never_cache
@for_roles(Role.STOREKEEPER, Role.OWNER, Role.ACCOUNTANT)
@require_http_methods(["GET", "HEAD", "POST"])
def item(request: HttpRequest, place: str, consumable: str) -> HttpResponseBase:
    """Show one consumable at one place: what is there, its low level, and every movement."""
    may_set = role_of(person_of(request)) != Role.ACCOUNTANT
    if request.method == "POST" and not may_set:
        raise PermissionDenied
    at = get_object_or_404(Place, code=place, kind__in=REAL_KINDS)
    what = get_object_or_404(Consumable, code=consumable)
    level = LowLevel.objects.filter(place=at, consumable=what).first()
    form = LevelForm(request.POST or None, initial={"quantity": exact(level.quantity) if level else ""})
    if request.method == "POST" and form.is_valid():
        form.save_for(at, what)
        messages.success(request, f"The low level of {what.name} at {at} is set.")
        return redirect("store:item", place=place, consumable=consumable)
    moved = (
        Movement.objects.filter(Q(source=at) | Q(destination=at), consumable=what)
        .select_related("document", "source", "destination", "valued")
        .order_by("-occurred_at", "-pk")
    )
    holding = Holding.objects.filter(place=at, consumable=what).first() or Holding(place=at, consumable=what)
    page: dict[str, Any] = {
        "title": f"{what.name} at {at}",
        "shop": the_shop(),
        "place": at,
        "consumable": what,
        "line": next(iter(_lines([holding]))),
        "form": form if may_set else None,
        "moves": page_of(request, moved, "page"),
    }
    return render(request, "shop/storeroom/item.html", page, status=400 if form.errors else 200)


def _holdings(place: str, words: str, only: str | None) -> QuerySet[Holding]:
    """Return what is held at real places with its low level: of a place, matching words, only what is low."""
    level = LowLevel.objects.filter(place=OuterRef("place"), consumable=OuterRef("consumable"))
    held = Holding.objects.filter(place__kind__in=REAL_KINDS).exclude(quantity=0)
    if place:
        held = held.filter(place__code=place)
    for word in words.split():
        held = held.filter(
            Q(consumable__code__icontains=word)
            | Q(consumable__name__icontains=word)
            | Q(consumable__grade__iexact=word)
        )
    leveled = held.select_related("place", "consumable").annotate(level=Subquery(level.values("quantity")))
    return leveled.filter(quantity__lte=F("level")) if only == "low" else leveled


def _lines(holdings: Iterable[Holding]) -> list[HeldRow]:
    """Return holdings with their cover and expiry: a constant number of queries for a page of them."""
    holdings = list(holdings)
    consumables = {holding.consumable_id for holding in holdings}
    used = _used_of_late(consumables)
    soon: dict[tuple[str, str], list[tuple[date, Decimal]]] = {}
    for row in expiring(timezone.localdate() + timedelta(days=EXPIRY_DAYS), consumables):
        soon.setdefault((row.place, row.consumable), []).append((row.expires_on, row.quantity))
    return [
        HeldRow(
            holding,
            getattr(holding, "level", None),
            _cover_days(holding, used),
            tuple(soon.get((holding.place.code, holding.consumable.code), ())),
        )
        for holding in holdings
    ]


def _used_of_late(consumables: set[int]) -> dict[tuple[int, int], Decimal]:
    """Return what jobs took from each place recently, by place and consumable. One query.

    What a correction undid was not used: only documents that stand count.
    """
    rows = (
        Movement.objects.filter(
            consumable__in=consumables,
            posted_at__gte=timezone.now() - timedelta(days=USE_DAYS),
            destination__kind=PlaceKind.JOB,
            document__corrected_by__isnull=True,
        )
        .order_by()
        .values_list("source", "consumable")
        .annotate(total=Sum("quantity"))
    )
    return {(place, consumable): total for place, consumable, total in rows}


def _cover_days(holding: Holding, used: dict[tuple[int, int], Decimal]) -> int | None:
    """Return how many days the holding lasts at recent use: of its place, at a depot of all places."""
    if holding.place.kind == PlaceKind.DEPOT:
        use = sum((total for (_, of), total in used.items() if of == holding.consumable_id), Decimal(0))
    else:
        use = used.get((holding.place_id, holding.consumable_id), Decimal(0))
    return int(max(holding.quantity, Decimal(0)) * USE_DAYS / use) if use else None
