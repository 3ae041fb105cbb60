"""Past service over HTTP: each consumable on each van, and its weeks."""

from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from django_filters import FilterSet
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from forecasting.policy_review.queries import (
    WEEKS_OFFERED,
    WEEKS_USUAL,
    ReviewRow,
    Week,
    in_use,
    look_back,
    visible_to,
    weeks_back,
)
from inventory.models import Holding
from inventory.reports.iso_weeks import Weeks
from shop.api.fields import NumberField, OfCosts
from shop.api.filters import Choice, Code
from shop.api.lists import RowList
from shop.models import Person, Role


class LookBackWeekSerializer(serializers.Serializer[Week]):
    """One week, in the stock unit; null where no restock said anything."""

    week = serializers.CharField(source="period", help_text="ISO week such as 2026-W48")
    recommended = NumberField(allow_null=True)
    approved = NumberField(allow_null=True)
    received = NumberField(help_text="all that came on the van, by a restock or not")
    used = NumberField()
    least_held = NumberField(source="held.least", help_text="by the book, at any moment")
    average_held = NumberField(source="held.average")
    counts = serializers.BooleanField(help_text="the van held some, or jobs had used it recently")
    ran_out = serializers.BooleanField(help_text="nothing was left while jobs had used it recently")


class ValueField(OfCosts, NumberField):
    """What stock is worth."""


class LookBackSerializer(serializers.Serializer[ReviewRow]):
    """One consumable on one van over the weeks asked for, in its stock unit."""

    van = serializers.CharField()
    consumable = serializers.CharField(source="consumable.code")
    unit = serializers.CharField(source="consumable.stock_unit")
    service_class = serializers.CharField()
    target = NumberField(help_text="the service it is held for now")
    lasted = serializers.FloatField(allow_null=True, help_text="share of weeks in which it did not run out")
    recommended = NumberField()
    approved = NumberField()
    received = NumberField()
    used = NumberField()
    average_held = NumberField(source="average")
    average_value = ValueField(
        source="value", allow_null=True, help_text="at the last cost; null: you may not see it"
    )
    weeks = LookBackWeekSerializer(many=True)


@extend_schema_field({"type": "string", "enum": [str(weeks) for weeks in WEEKS_OFFERED]})
class WeeksBack(Choice):
    """How many past weeks to cover; the rows stay the same."""

    def filter(self, qs: QuerySet[Any], _value: Any) -> QuerySet[Any]:
        """Return all rows."""
        return qs


class LookBackFilters(FilterSet):
    """Filters by van, consumable, and the number of weeks."""

    van = Code(field_name="place__code")
    consumable = Code(field_name="consumable__code")
    weeks = WeeksBack([str(weeks) for weeks in WEEKS_OFFERED], help_text=f"{WEEKS_USUAL} when not given")


class LookBack(RowList):
    """What each van was to get, got, used and held over the last whole weeks; technicians: their own van."""

    readers = frozenset({Role.TECHNICIAN, Role.STOREKEEPER, Role.OWNER})
    model = Holding
    serializer_class = LookBackSerializer
    filterset_class = LookBackFilters
    sortable = {
        "van": ("place__code", "consumable__code"),
        "consumable": ("consumable__code", "place__code"),
    }
    default_sort = "van"

    def weeks(self) -> Weeks:
        """Return the weeks that the query asks for."""
        asked = self.request.query_params.get("weeks", "")
        return weeks_back(int(asked) if asked.isdigit() else WEEKS_USUAL, timezone.now())

    def rows(self, person: Person) -> QuerySet[Holding]:
        """Return what a person may see."""
        return visible_to(person)

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        """Leave out what was not in use, once the query is known to make sense."""
        found: QuerySet[Any] = super().filter_queryset(queryset)
        return in_use(found, self.weeks())

    def paginate_queryset(self, queryset: Any) -> Any:
        """Work the rows of one page out."""
        return look_back(super().paginate_queryset(queryset) or [], self.weeks(), timezone.now())
