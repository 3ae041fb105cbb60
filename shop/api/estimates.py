"""Estimates: what a repair takes and what to charge for it, from the shop's past jobs."""

from typing import Any

from django import forms
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.documents import LARGEST_MONEY
from shop.api.fields import NumberField
from shop.api.filters import FlagFilterField
from shop.api.lists import RoleMay
from shop.api.permissions import MethodsFirst
from shop.api.report_lists import asked_of
from shop.api.views import person_of_request
from shop.estimating.prediction_intervals import LEVEL_PERCENT, Asked
from shop.estimating.quote import Quote, quote
from shop.estimating.quote_text import rests_on, terms_of
from shop.estimating.quote_warnings import DamageSeen, Reason
from shop.jobs.close_data import LONGEST_LENGTH_MM
from shop.models import DamageType, GlassType, JobType, Role, the_shop
from shop.people.permissions import is_owner

ESTIMATORS = frozenset({Role.TECHNICIAN, Role.OWNER})
NUMBER = {"type": "number", "minimum": 0}


class EstimatedRangeSerializer(serializers.Serializer[Any]):
    """A median and its interval."""

    median = NumberField()
    low = NumberField(allow_null=True, help_text="null: the median is a standard, without an interval")
    high = NumberField(allow_null=True)


class EstimatedAmountSerializer(serializers.Serializer[Any]):
    """An estimated quantity; with minutes where it is a grade of disc."""

    label = serializers.CharField()  # type: ignore[assignment] # declared fields are taken off the class
    unit = serializers.CharField()
    amount = EstimatedRangeSerializer()
    minutes = EstimatedRangeSerializer(allow_null=True)


class EstimatedCostsSerializer(serializers.Serializer[Any]):
    """Costs without travel, in the shop's currency; each has its own median, so they need not add up."""

    materials = EstimatedRangeSerializer()
    wear = EstimatedRangeSerializer()
    labour = EstimatedRangeSerializer()
    overhead = EstimatedRangeSerializer()
    total = EstimatedRangeSerializer()


class DoubtSerializer(serializers.Serializer[Any]):
    """A reason to look twice."""

    reason = serializers.ChoiceField(choices=[reason.value for reason in Reason])
    words = serializers.CharField()


class EstimateSerializer(serializers.Serializer[Any]):
    """An estimate. With 0 `jobs` it is the job type's standard, or nothing is known."""

    jobs = serializers.IntegerField(help_text="how many finished jobs it rests on")
    alike_in = serializers.ListField(child=serializers.CharField(), help_text="what they have in common")
    came_to_nothing = serializers.IntegerField(
        help_text="of `all_jobs` such jobs, how many neither removed nor reduced the damage"
    )
    all_jobs = serializers.IntegerField()
    length_exponent = serializers.FloatField(
        allow_null=True, help_text="amounts grow as length to this power; null: length is not used"
    )
    level_percent = serializers.IntegerField(
        help_text="an interval holds at least this many of 100 such jobs"
    )
    discs = EstimatedAmountSerializer(many=True)
    others = EstimatedAmountSerializer(many=True)
    minutes = EstimatedRangeSerializer(
        allow_null=True, help_text="of labour, without travel; null: nothing is known"
    )
    other_minutes = EstimatedRangeSerializer(allow_null=True, help_text="of labour, without a disc")
    costs = EstimatedCostsSerializer(
        allow_null=True, help_text="null: nothing is known, or you may not see it"
    )
    currency = serializers.CharField()
    list_price = NumberField(allow_null=True, help_text="of the job type; null: none is set")
    price_at_target = NumberField(
        allow_null=True, help_text="net of tax; usually leaves the shop's target margin"
    )
    price_at_target_high = NumberField(
        allow_null=True, help_text="leaves the target margin on nine of ten such jobs"
    )
    doubts = DoubtSerializer(many=True)
    rests_on = serializers.CharField(help_text="the basis of the estimate as text")


def _code_of(model: Any, *, required: bool = False) -> forms.Field:
    """Return the field for a row by its code."""
    said = {"invalid_choice": "is not a known code", "required": "is missing; give it"}
    return forms.ModelChoiceField(
        model.objects.all(), to_field_name="code", error_messages=said, required=required
    )


class AskedForm(forms.Form):
    """What to estimate."""

    damage_type = _code_of(DamageType, required=True)
    job_type = _code_of(JobType)
    glass = _code_of(GlassType)
    length_mm = forms.DecimalField(min_value=0, max_value=LONGEST_LENGTH_MM, decimal_places=4, required=False)
    catches_fingernail = FlagFilterField(required=False)
    in_primary_view = FlagFilterField(required=False)
    price = forms.DecimalField(min_value=0, max_value=LARGEST_MONEY, decimal_places=4, required=False)


class EstimateView(MethodsFirst):
    """Estimates a repair; nothing is stored."""

    readers = ESTIMATORS
    permission_classes = [RoleMay]
    http_method_names = ["get", "head"]

    @extend_schema(
        operation_id="estimates_retrieve",
        parameters=[
            OpenApiParameter("damage_type", {"type": "string"}, required=True),
            OpenApiParameter("job_type", {"type": "string"}),
            OpenApiParameter("glass", {"type": "string"}),
            OpenApiParameter("length_mm", NUMBER),
            OpenApiParameter("catches_fingernail", {"type": "boolean"}),
            OpenApiParameter("in_primary_view", {"type": "boolean"}),
            OpenApiParameter("price", NUMBER, description="compared with the cost; default: the list price"),
        ],
        responses=EstimateSerializer,
    )
    def get(self, request: Request) -> Response:
        """Return the estimate."""
        asked = asked_of(request, AskedForm)
        person, shop = person_of_request(request), the_shop()
        found = quote(
            Asked(
                asked["damage_type"].code,
                asked["job_type"].code if asked["job_type"] else "",
                asked["glass"].code if asked["glass"] else "",
                asked["catches_fingernail"],
                asked["length_mm"],
            ),
            DamageSeen(bool(asked["in_primary_view"])),
            asked["price"],
            terms_of(shop, person.length_unit_in(shop)),
            timezone.localdate(),
        )
        sees_costs = is_owner(person)
        return Response(EstimateSerializer(_shown(found, shop.currency, sees_costs=sees_costs)).data)


def _shown(found: Quote, currency: str, *, sees_costs: bool) -> dict[str, Any]:
    basis = found.basis
    costs = {**found.costs, "total": found.total} if sees_costs and found.total else None
    return {
        "jobs": len(basis.jobs) if basis else 0,
        "alike_in": basis.alike_in if basis else [],
        "came_to_nothing": basis.lost.lost if basis else 0,
        "all_jobs": basis.lost.jobs if basis else 0,
        "length_exponent": basis.exponent if basis else None,
        "level_percent": LEVEL_PERCENT,
        "discs": found.discs,
        "others": found.others,
        "minutes": found.minutes,
        "other_minutes": found.other_minutes,
        "costs": costs,
        "currency": currency,
        "list_price": found.list_price,
        "price_at_target": found.asking,
        "price_at_target_high": found.asking_high,
        "doubts": [doubt for doubt in found.doubts if sees_costs or not doubt.of_costs],
        "rests_on": " ".join(rests_on(found)),
    }
