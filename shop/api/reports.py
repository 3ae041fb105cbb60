"""Reports of the office: margins, variances, the costing of a period, and when the books were locked."""

from typing import Any

from django import forms
from django.db.models import QuerySet, Sum
from django_filters import FilterSet
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.models import PeriodChange
from shop.api.fields import NumberField
from shop.api.filters import Code
from shop.api.lists import OFFICE, RowList
from shop.api.report_lists import PERIOD_PARAMETERS, PeriodQueryForm, ReportList
from shop.costing.costing_rows import JOB_COLUMNS
from shop.costing.formulas import AMOUNTS, JobCosts
from shop.costing.posted_costs import NOTHING, posted_costs
from shop.costing.standard_costs import labour_lines, material_lines
from shop.models import Person
from shop.profitability.margins import GROUPINGS, margins_of

BY = ("damage_type", *(name for name in GROUPINGS if name != "damage_type"))


class MarginSerializer(serializers.Serializer[Any]):
    """What a group of jobs earned and cost, in the shop's currency; ratios are of revenue."""

    label = serializers.CharField()  # type: ignore[assignment] # declared fields are taken off the class
    jobs = serializers.IntegerField()
    revenue = NumberField()
    materials = NumberField()
    wear = NumberField()
    labour = NumberField()
    travel = NumberField()
    overhead = NumberField()
    contribution = NumberField()
    margin = NumberField()
    ratio = serializers.FloatField(allow_null=True)
    low = serializers.FloatField(allow_null=True, help_text="lower end of the 95% interval of the ratio")
    high = serializers.FloatField(allow_null=True, help_text="upper end of the 95% interval of the ratio")
    shrunk = serializers.FloatField(
        allow_null=True,
        help_text="the ratio pulled towards that of all jobs, and the more so the fewer jobs there are",
    )
    note = serializers.CharField(help_text="why there is no interval, or how far to trust it")


class MarginForm(PeriodQueryForm):
    """How to group, and with which job callbacks count."""

    by = forms.ChoiceField(choices=[(name, name) for name in BY], required=False)
    lifetime = forms.ChoiceField(choices=[("true", "true"), ("false", "false")], required=False)


class MarginList(ReportList):
    """Margins of groups of jobs, with intervals."""

    form = MarginForm
    serializer_class = MarginSerializer

    @extend_schema(
        parameters=[
            OpenApiParameter("by", {"type": "string", "enum": BY, "default": BY[0]}),
            OpenApiParameter(
                "lifetime", {"type": "boolean"}, description="count callbacks with the job they repeat"
            ),
            *PERIOD_PARAMETERS,
        ]
    )
    def get(self, request: Request, *_args: Any, **named: str) -> Response:
        """List the groups by label."""
        return super().get(request, **named)

    def report(self, **asked: Any) -> Any:
        """Return the groups; intervals are computed only for the page that is shown."""
        lifetime = asked["lifetime"] == "true"
        return margins_of(asked["by"] or BY[0], asked["start"], asked["end"], lifetime=lifetime)


class MaterialVariancesSerializer(serializers.Serializer[Any]):
    """Price and quantity variance; above zero is unfavourable."""

    price = NumberField()
    quantity = NumberField()


class MaterialLineSerializer(serializers.Serializer[Any]):
    """A consumable of a job type against its standard."""

    job_type = serializers.CharField()
    consumable = serializers.CharField()
    jobs = serializers.IntegerField()
    actual_quantity = NumberField()
    standard_quantity = NumberField()
    actual_cost = NumberField()
    variances = MaterialVariancesSerializer(allow_null=True, help_text="null: there is no standard cost")


class MaterialVarianceList(ReportList):
    """Materials: standard against actual."""

    form = PeriodQueryForm
    serializer_class = MaterialLineSerializer

    @extend_schema(parameters=PERIOD_PARAMETERS)
    def get(self, request: Request, *_args: Any, **named: str) -> Response:
        """List the consumables of each job type."""
        return super().get(request, **named)

    def report(self, **asked: Any) -> Any:
        """Return the lines."""
        return list(material_lines(asked["start"], asked["end"]))


class LabourVariancesSerializer(serializers.Serializer[Any]):
    """Rate and efficiency variance; above zero is unfavourable."""

    rate = NumberField()
    efficiency = NumberField()


class LabourLineSerializer(serializers.Serializer[Any]):
    """A job type's minutes against the standard."""

    job_type = serializers.CharField()
    jobs = serializers.IntegerField()
    actual_minutes = NumberField()
    standard_minutes = NumberField()
    actual_cost = NumberField()
    variances = LabourVariancesSerializer(allow_null=True, help_text="null: no rate on a job's day")


class LabourVarianceList(ReportList):
    """Labour: standard against actual, at the shop's rate of each job's day."""

    form = PeriodQueryForm
    serializer_class = LabourLineSerializer

    @extend_schema(parameters=PERIOD_PARAMETERS)
    def get(self, request: Request, *_args: Any, **named: str) -> Response:
        """List the job types."""
        return super().get(request, **named)

    def report(self, **asked: Any) -> Any:
        """Return the lines."""
        return list(labour_lines(asked["start"], asked["end"]))


class CostingSerializer(serializers.Serializer[Any]):
    """What a job posted to a period."""

    job = serializers.CharField()
    closed_at = serializers.DateTimeField()
    van = serializers.CharField()
    technician = serializers.CharField()
    job_type = serializers.CharField()
    damage_type = serializers.CharField()
    glass = serializers.CharField()
    outcome = serializers.CharField()
    callback_of = serializers.CharField(allow_null=True)
    revenue = NumberField()
    materials = NumberField()
    wear = NumberField()
    labour = NumberField()
    travel = NumberField()
    overhead = NumberField()
    contribution = NumberField()
    margin = NumberField()

    def to_representation(self, row: dict[str, Any]) -> dict[str, Any]:
        """Return a row of the query under the names of the export."""
        amounts = {name: row[f"total_{name}"] for name in AMOUNTS}
        costs = JobCosts(**amounts)
        facts = {name: row[path] for name, path in JOB_COLUMNS.items()}
        said = {**facts, **amounts, "contribution": costs.contribution, "margin": costs.margin}
        return super().to_representation(said)


class Costing(ReportList):
    """The costing of a period, a row per job, as the accountant exports it."""

    form = PeriodQueryForm
    serializer_class = CostingSerializer

    @extend_schema(parameters=PERIOD_PARAMETERS)
    def get(self, request: Request, *_args: Any, **named: str) -> Response:
        """List the jobs by closing time."""
        return super().get(request, **named)

    def report(self, **asked: Any) -> Any:
        """Return a row per job and close."""
        return (
            posted_costs(asked["start"], asked["end"])
            .values(*JOB_COLUMNS.values())
            .annotate(counted=Sum("jobs"), **{f"total_{name}": Sum(name) for name in AMOUNTS})
            .exclude(NOTHING)
            .order_by("closed_at", *(path for path in JOB_COLUMNS.values() if path != "closed_at"))
        )


class PeriodSerializer(serializers.Serializer[Any]):
    """A lock of the books or a reopening."""

    locked_until = serializers.DateTimeField(
        allow_null=True, help_text="the first open moment; null: all open"
    )
    reason = serializers.CharField()
    changed_by = serializers.CharField()
    changed_at = serializers.DateTimeField()


class PeriodFilters(FilterSet):
    """Filters by person."""

    changed_by = Code(field_name="changed_by")


class Periods(RowList):
    """When the books were locked and reopened, by whom and why; the latest says what is locked now."""

    readers = OFFICE
    model = PeriodChange
    serializer_class = PeriodSerializer
    filterset_class = PeriodFilters
    sortable = {"changed_at": ("changed_at",)}
    default_sort = "-changed_at"

    def rows(self, person: Person) -> QuerySet[PeriodChange]:  # noqa: ARG002
        """Return all of them."""
        return PeriodChange.objects.all()
