"""Stock now, at the end of a day, and what is low."""

from datetime import date, timedelta
from typing import Any

from django.db.models import F, OuterRef, Q, QuerySet, Subquery
from django_filters import FilterSet
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.db.fixed_point import FixedPointField
from inventory.documents import YEARS
from inventory.models import REAL_KINDS, Holding, LowLevel
from inventory.reports.stock_on_hand import low_stock, stock_at
from shop.api.fields import NumberField
from shop.api.filters import Choice, Code, Flag
from shop.api.lists import RowList, own_van_only
from shop.api.report_lists import DAY, ReportList
from shop.models import Person, start_of_day
from shop.people.permissions import EVERYONE, STOCK_READERS, own_van


class HoldingSerializer(serializers.Serializer[Any]):
    """What a place holds of a consumable, in its stock unit."""

    place = serializers.CharField(source="place.code")
    consumable = serializers.CharField(source="consumable.code")
    name = serializers.CharField(source="consumable.name")
    quantity = NumberField(help_text="below zero: something is not booked yet; count the place")
    unit = serializers.CharField(source="consumable.stock_unit")
    low_level = NumberField(allow_null=True, help_text="null: none is set")


class StockFilters(FilterSet):
    """Filters by place, consumable and kind."""

    place = Code(field_name="place__code")
    place_kind = Choice(["depot", "van", "transit"], field_name="place__kind")
    consumable = Code(field_name="consumable__code")
    kind = Choice(["counted", "measured", "worn"], field_name="consumable__kind")
    low = Flag(method="only_low", help_text="whether it is at or under its low level")

    def only_low(self, rows: QuerySet[Any], _name: str, value: bool | None) -> QuerySet[Any]:  # noqa: FBT001
        """Return what is at or under its level, or what is not."""
        if value is None:
            return rows
        low = Q(quantity__lte=F("low_level"))
        return rows.filter(low) if value else rows.filter(~low | Q(low_level=None))


class StockNow(RowList):
    """Stock on hand now; technicians read their own van, and what is in transit to it."""

    readers = EVERYONE
    model = Holding
    serializer_class = HoldingSerializer
    filterset_class = StockFilters
    sortable = {
        "place": ("place__code", "consumable__code"),
        "consumable": ("consumable__code", "place__code"),
        "quantity": ("quantity",),
    }
    default_sort = "place"

    def rows(self, person: Person) -> QuerySet[Holding]:
        """Return the holdings of the person's places."""
        level = LowLevel.objects.filter(place=OuterRef("place"), consumable=OuterRef("consumable"))
        held = Holding.objects.filter(place__kind__in=REAL_KINDS).exclude(quantity=0)
        if own_van_only(person):
            own = own_van(person)
            here = own.van.place_id if own else None
            held = held.filter(Q(place=here) | Q(place__bound_for=here, place__kind="transit"))
        level_now = Subquery(level.values("quantity"), output_field=FixedPointField())
        return held.select_related("place", "consumable").annotate(low_level=level_now)


class LowSerializer(serializers.Serializer[Any]):
    """What a place is low on."""

    place = serializers.CharField(source="place.code")
    consumable = serializers.CharField(source="consumable.code")
    quantity = NumberField(source="held")
    low_level = NumberField(source="quantity")


class LowFilters(FilterSet):
    """Filters by place and consumable."""

    place = Code(field_name="place__code")
    consumable = Code(field_name="consumable__code")


class LowStock(RowList):
    """What is at or under its low level, also where none is left; technicians read their own van."""

    readers = EVERYONE
    model = LowLevel
    serializer_class = LowSerializer
    filterset_class = LowFilters
    sortable = {"place": ("place__code", "consumable__code"), "consumable": ("consumable__code",)}
    default_sort = "place"

    def rows(self, person: Person) -> QuerySet[LowLevel]:
        """Return the levels that are reached at the person's places."""
        levels = low_stock()
        if own_van_only(person):
            own = own_van(person)
            levels = levels.filter(place=own.van.place_id) if own else levels.none()
        return levels


class StockRowSerializer(serializers.Serializer[Any]):
    """What a place held at the end of a day, and its share of the value."""

    place = serializers.CharField()
    consumable = serializers.CharField()
    quantity = NumberField()
    value = NumberField(help_text="in the shop's currency; the shop is one cost pool")


class StockOnDay(ReportList):
    """Stock on hand at the end of a day on the shop's clocks, and its value."""

    readers = STOCK_READERS
    serializer_class = StockRowSerializer

    @extend_schema(parameters=[OpenApiParameter("day", DAY, OpenApiParameter.PATH)])
    def get(self, request: Request, *_args: Any, **named: str) -> Response:
        """List the stock by place and consumable."""
        return super().get(request, **named)

    def report(self, **asked: Any) -> list[Any]:
        """Return the rows. Raises NotFound for an invalid day."""
        day: str = asked["day"]
        try:
            at = date.fromisoformat(day)
        except ValueError:
            at = None
        if at is None or at.year not in YEARS or at.isoformat() != day:
            raise NotFound(f"{day[:20]} is not a day such as 2026-03-02.")
        return list(stock_at(start_of_day(at + timedelta(days=1)) - timedelta(microseconds=1)))
