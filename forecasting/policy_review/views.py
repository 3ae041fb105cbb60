"""Pages of past service: all vans and consumables, and one of them week by week with its chart."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from forecasting.policy_review.chart import chart_description, held_chart
from forecasting.policy_review.queries import (
    PAIRS_MAX,
    WEEKS_OFFERED,
    WEEKS_USUAL,
    ReviewRow,
    by_class,
    in_use,
    look_back,
    stock_steps,
    visible_to,
    weeks_back,
)
from inventory.models import Books, Holding
from inventory.reports.iso_weeks import Weeks
from shop.common.pagination import page_of
from shop.models import Role, the_shop
from shop.people.permissions import VAN_AND_STOCK, for_roles, person_of, role_of, sees_costs
from shop.web.charts import svg, svg_response, theme_of
from shop.web.code_select import options_of

WIDTH_PX, HEIGHT_PX = 560, 320

# What is worked out week by week cannot be sorted by in the database; PAIRS_MAX keeps it small.
Key = Callable[[ReviewRow], Any]
SORTS: dict[str, tuple[str, Key]] = {
    "van": ("van and consumable", lambda row: (row.van, row.consumable.code)),
    "lasted": ("weeks in stock, worst first", lambda row: (row.lasted is None, row.lasted, -row.value)),
    "stock": ("value of the stock, most first", lambda row: (-row.value, row.van)),
    "used": ("value used, most first", lambda row: (-row.used * row.unit_cost, row.van)),
}

# An order by value tells about costs, too.
BY_VALUE = {"stock", "used"}


@never_cache
@require_safe
@for_roles(*VAN_AND_STOCK)
def index(request: HttpRequest) -> HttpResponse:
    """Show how each consumable on each van did over the last weeks, narrowed and sorted as asked."""
    person, now = person_of(request), timezone.now()
    weeks = weeks_back(weeks_asked(request), now)
    known = visible_to(person)
    asked = {name: request.GET.get(name, "").strip() for name in ("van", "what", "sort")}
    sorts = [name for name in SORTS if sees_costs(person) or name not in BY_VALUE]
    sort = asked["sort"] if asked["sort"] in sorts else "van"
    held = in_use(_narrowed(known, asked["van"], asked["what"]), weeks)
    pairs = list(held[: PAIRS_MAX + 1])
    too_many = len(pairs) > PAIRS_MAX
    rows = [] if too_many else sorted(look_back(pairs, weeks, now), key=SORTS[sort][1])
    context = {
        "shop": the_shop(),
        "title": "Past service",
        "page": page_of(request, rows, "page"),
        "classes": by_class(rows),
        "too_many": too_many,
        "most": PAIRS_MAX,
        "asked": asked,
        "sort": sort,
        "sorts": [(name, SORTS[name][0]) for name in sorts],
        "sees_costs": sees_costs(person),
        "vans": options_of(known.order_by("place__code").values_list("place__code", flat=True).distinct()),
        "weeks": weeks,
        "weeks_offered": WEEKS_OFFERED,
        "of_all_vans": role_of(person) != Role.TECHNICIAN,
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/lookback.html", context)


def weeks_asked(request: HttpRequest) -> int:
    """Return the number of weeks that a query asks for; the default for anything not offered."""
    asked = request.GET.get("weeks", "")
    return next((weeks for weeks in WEEKS_OFFERED if str(weeks) == asked), WEEKS_USUAL)


def _narrowed(held: QuerySet[Holding], van: str, what: str) -> QuerySet[Holding]:
    if van:
        held = held.filter(place__code=van)
    if what:
        held = held.filter(Q(consumable__code__icontains=what) | Q(consumable__name__icontains=what))
    return held


def _one(request: HttpRequest, van: str, consumable: str, now: datetime) -> tuple[Holding, Weeks, ReviewRow]:
    held = visible_to(person_of(request)).filter(place__code=van, consumable__code=consumable).first()
    if held is None:
        raise Http404
    weeks = weeks_back(weeks_asked(request), now)
    return held, weeks, look_back([held], weeks, now)[0]


@never_cache
@require_safe
@for_roles(*VAN_AND_STOCK)
def show(request: HttpRequest, van: str, consumable: str) -> HttpResponse:
    """Show one consumable on one van week by week, the latest first."""
    _, weeks, row = _one(request, van, consumable, timezone.now())
    context = {
        "shop": the_shop(),
        "title": f"{row.consumable.name} on {row.van}",
        "row": row,
        "sees_costs": sees_costs(request.user),
        "latest_first": list(row.weeks)[::-1],
        "weeks": weeks,
        "weeks_offered": WEEKS_OFFERED,
        "source": f"{reverse('lookback:chart', args=[van, consumable])}?weeks={weeks.count}",
        "text": chart_description(row),
        "width": WIDTH_PX,
        "height": HEIGHT_PX,
        "digits": Books.objects.get().minor_unit_digits,
    }
    return render(request, "forecasting/lookback_one.html", context)


@never_cache
@require_safe
@for_roles(*VAN_AND_STOCK)
def chart(request: HttpRequest, van: str, consumable: str) -> HttpResponse:
    """Draw what was held over the weeks."""
    held, weeks, row = _one(request, van, consumable, timezone.now())
    drawing = held_chart(row, stock_steps(held, weeks), weeks.starts)
    return svg_response(svg(drawing, theme=theme_of(request), width_px=WIDTH_PX, height_px=HEIGHT_PX))
