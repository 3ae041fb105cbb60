"""Pages of the burn forecast: every van and consumable, one of them with its chart, and a new forecast."""

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from forecasting.burn import queries
from forecasting.burn.chart import burn_chart, chart_description
from forecasting.burn.runs import forecast_burn, latest_run
from forecasting.models import BurnForecast, ForecastRun
from inventory.models import PlaceKind
from shop.common.pagination import page_of
from shop.models import the_shop
from shop.people.permissions import EVERYONE, STOCK_ROLES, for_roles, person_of, role_of
from shop.web.charts import svg, svg_response, theme_of
from shop.web.code_select import options_of

# A run unfinished for this long counts as given up.
STILL_RUNNING = timedelta(minutes=10)
# Small enough for its text to be read on a phone.
WIDTH_PX, HEIGHT_PX = 560, 320


@never_cache
@require_safe
@for_roles(*EVERYONE)
def index(request: HttpRequest) -> HttpResponse:
    """Show the latest forecast of each van and consumable, narrowed by van, consumable and demand."""
    person = person_of(request)
    run = latest_run()
    asked = {name: request.GET.get(name, "") for name in ("van", "consumable", "demand")}
    known = queries.visible_to(person).filter(run=run, weeks_ahead=1)
    rows = page_of(
        request, _narrowed(known, asked).order_by("-place__kind", "place__code", "consumable__code"), "page"
    )
    places = _values(known, "place__code")
    context = {
        "shop": the_shop(),
        "title": "Burn by van",
        "run": run,
        "said": queries.run_in_words(run) if run else "",
        "levels": queries.levels_in_words(run),
        "page": rows,
        "rows": [{"row": row, "ahead": queries.ahead(row), "held": queries.held(row, 0.95)} for row in rows],
        "asked": asked,
        "places": places,
        "any_forecast": places != [],
        "of_several_places": places is None or len(places) > 1,
        "consumables": _values(known, "consumable__code"),
        "classes": _values(known, "demand_class"),
        "may_forecast": role_of(person) in STOCK_ROLES,
    }
    return render(request, "forecasting/burn_list.html", context)


def _narrowed(rows: QuerySet[BurnForecast], asked: dict[str, str]) -> QuerySet[BurnForecast]:
    fields = {"van": "place__code", "consumable": "consumable__code", "demand": "demand_class"}
    return rows.filter(**{fields[name]: value for name, value in asked.items() if value})


def _values(rows: QuerySet[BurnForecast], field: str) -> list[str] | None:
    return options_of(rows.order_by(field).values_list(field, flat=True).distinct())


@require_POST
@for_roles(*STOCK_ROLES)
def forecast(request: HttpRequest) -> HttpResponse:
    """Forecast from the books as they are now, and show the result."""
    now = timezone.now()
    running = ForecastRun.objects.filter(finished_at=None, made_at__gt=now - STILL_RUNNING)
    if running.exists():
        messages.info(request, "A forecast is being made at this moment; look again in a minute.")
        return redirect("burn:list")
    run = forecast_burn(by=person_of(request).get_username())
    messages.success(request, f"Forecast made. {queries.run_in_words(run)}")
    return redirect("burn:list")


@never_cache
@require_safe
@for_roles(*EVERYONE)
def show(request: HttpRequest, place: str, consumable: str) -> HttpResponse:
    """Show one van and consumable: history, forecast, the accuracy of such forecasts, and the reason."""
    rows = list(
        queries.visible_to(person_of(request))
        .filter(run=latest_run(), place__code=place, consumable__code=consumable)
        .order_by("weeks_ahead")
    )
    if not rows:
        raise Http404
    first = rows[0]
    past, week = queries.past_weeks(first), queries.ahead(first)
    what = f"{first.consumable} at {first.place}"
    context: dict[str, Any] = {
        "shop": the_shop(),
        "title": f"{first.consumable.name} at {first.place}",
        "row": first,
        "run": first.run,
        "unit": first.consumable.stock_unit,
        "of_all_vans": first.place.kind == PlaceKind.DEPOT,
        "week": week,
        "aheads": [queries.ahead(row) for row in rows],
        "past": past[::-1],
        "levels": queries.levels_in_words(first.run),
        "left_out": sum(1 for one in past if one.used is None),
        "accuracy": queries.accuracy_in_words(first),
        "model": queries.model_in_words(first),
        "demand": queries.class_in_words(first),
        "width": WIDTH_PX,
        "height": HEIGHT_PX,
        "text": chart_description(past, week, what, first.consumable.stock_unit),
    }
    return render(request, "forecasting/burn_one.html", context)


@never_cache
@require_safe
@for_roles(*EVERYONE)
def chart(request: HttpRequest, pk: int) -> HttpResponse:
    """Draw the chart of one forecast."""
    row = queries.visible_to(person_of(request)).filter(pk=pk, weeks_ahead=1).first()
    if row is None:
        raise Http404
    drawn = burn_chart(queries.past_weeks(row), queries.ahead(row), row.consumable.stock_unit)
    return svg_response(svg(drawn, theme=theme_of(request), width_px=WIDTH_PX, height_px=HEIGHT_PX))
