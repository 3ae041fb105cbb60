"""Forecasts over HTTP: the latest run, or a named one."""

from typing import Any

from django import forms
from django.db.models import QuerySet
from django_filters import Filter, FilterSet
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from forecasting.burn.queries import visible_to
from forecasting.burn.runs import latest_run
from forecasting.models import BurnForecast
from shop.api.fields import NumberField
from shop.api.filters import Code
from shop.api.lists import RowList
from shop.models import Person
from shop.people.permissions import EVERYONE

LARGEST_NUMBER = 2**31 - 1


@extend_schema_field({"type": "integer", "minimum": 1, "maximum": LARGEST_NUMBER})
class WholeNumber(Filter):
    """A whole number above 0."""

    field_class = forms.IntegerField

    def __init__(self, **kwargs: Any) -> None:
        text = f"is not a whole number from 1 to {LARGEST_NUMBER}"
        said = dict.fromkeys(("invalid", "min_value", "max_value"), text)
        super().__init__(min_value=1, max_value=LARGEST_NUMBER, error_messages=said, **kwargs)


class ForecastSerializer(serializers.Serializer[BurnForecast]):
    """What a place will burn of a consumable over some weeks, in its stock unit."""

    run = serializers.IntegerField(source="run.pk")
    known_at = serializers.DateTimeField(
        source="run.known_at", help_text="what was recorded up to here counts"
    )
    place = serializers.CharField(source="place.code", help_text="a van, or the depot for all vans together")
    consumable = serializers.CharField(source="consumable.code")
    unit = serializers.CharField(source="consumable.stock_unit")
    weeks_ahead = serializers.IntegerField()
    mean = NumberField()
    quantiles = serializers.SerializerMethodField(help_text="by probability, such as 0.95")
    model = serializers.CharField()
    reason = serializers.CharField()
    demand_class = serializers.CharField()
    jobs_booked = NumberField(source="jobs_known", allow_null=True, help_text="null: not known")
    tested = serializers.IntegerField(help_text="past intervals that such forecasts were tried on")
    held = serializers.SerializerMethodField(help_text="how many of them stayed at or under each quantile")

    @extend_schema_field({"type": "object", "additionalProperties": {"type": "string"}})
    def get_quantiles(self, row: BurnForecast) -> dict[str, str]:
        """Return the quantiles by their levels."""
        return dict(zip(map(str, row.run.levels), row.quantiles, strict=True))

    @extend_schema_field({"type": "object", "additionalProperties": {"type": "integer"}})
    def get_held(self, row: BurnForecast) -> dict[str, int]:
        """Return how often each level held."""
        return dict(zip(map(str, row.run.levels), row.held, strict=True))


class ForecastFilters(FilterSet):
    """Filters by run, place, consumable and weeks ahead."""

    run = WholeNumber(field_name="run", help_text="the number of a finished run; without it the latest")
    place = Code(field_name="place__code")
    consumable = Code(field_name="consumable__code")
    weeks_ahead = WholeNumber(field_name="weeks_ahead")


class Forecasts(RowList):
    """The burn forecast by place, consumable and weeks ahead; technicians read only their own van."""

    readers = EVERYONE
    model = BurnForecast
    serializer_class = ForecastSerializer
    filterset_class = ForecastFilters
    sortable = {
        "place": ("place__code", "consumable__code", "weeks_ahead"),
        "consumable": ("consumable__code", "place__code", "weeks_ahead"),
        "mean": ("mean",),
    }
    default_sort = "place"

    def rows(self, person: Person) -> QuerySet[BurnForecast]:
        """Return the forecasts of finished runs that a person may see; of the latest when none is named."""
        found = visible_to(person).filter(run__finished_at__isnull=False)
        return found if self.request.query_params.get("run") else found.filter(run=latest_run())
