"""Jobs: PUT books a job or changes its booking; GET shows a job, and what a closed one took and cost."""

from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import QuerySet, Sum
from django.shortcuts import get_object_or_404
from django_filters import FilterSet
from rest_framework import serializers
from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.catalogue_serializers import CatalogueShape, CodeOf, PriceField, QuantityField
from shop.api.fields import FlagField, NumberField, TextField
from shop.api.filters import Choice, Code, Day, DayFrom, DayTo
from shop.api.item_views import ItemView, problems_of
from shop.api.lists import JOB_READERS, OFFICE, OWNERS, RowList, own_van_only
from shop.api.problems import Malformed
from shop.api.schema import ApiSchema
from shop.api.serializers import read_values
from shop.api.views import person_of_request
from shop.costing.formulas import AMOUNTS, JobCosts
from shop.jobs import bookings
from shop.models import DamageType, GlassType, Job, JobStatus, JobType, Outcome, Person, Site, Technician, Van
from shop.people.admin_log import note_change
from shop.people.permissions import own_van, role_of


class BookedDayField(serializers.DateField):
    """A day in ISO 8601."""

    default_error_messages = {"invalid": "is not a day such as 2026-03-02"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(input_formats=["%Y-%m-%d"], **kwargs)


class SiteOfCustomer(serializers.Serializer[Any]):
    """A customer's site, by the customer's code and the site's name."""

    customer = TextField()
    name = TextField()

    def to_internal_value(self, data: Any) -> Any:
        """Return the site."""
        said = super().to_internal_value(data)
        site = None
        if "\0" not in said["customer"] + said["name"]:
            site = Site.objects.filter(customer__code=said["customer"], name=said["name"]).first()
        if site is None:
            raise serializers.ValidationError({"name": ["is not a known site of that customer"]})
        return site

    def to_representation(self, site: Site) -> dict[str, str]:
        """Return both names."""
        return {"customer": site.customer.code, "name": site.name}


class BookingSerializer(CatalogueShape):
    """A job that is booked, or whose booking was cancelled."""

    status = serializers.ChoiceField(
        choices=[JobStatus.BOOKED, JobStatus.CANCELLED], default=JobStatus.BOOKED
    )
    van = CodeOf(Van, "place__code")
    technician = CodeOf(
        Technician, default=None, allow_null=True, help_text="null: the technician of the van"
    )
    job_type = CodeOf(JobType)
    damage_type = CodeOf(DamageType)
    glass = CodeOf(GlassType)
    site = SiteOfCustomer(default=None, allow_null=True)
    booked_for = BookedDayField(default=None, allow_null=True)
    length_mm = QuantityField(default=None, allow_null=True)
    catches_fingernail = FlagField(default=None, allow_null=True)
    in_primary_view = FlagField(default=False)
    existing_damage = TextField(default="")
    price = PriceField(default=Decimal(0), help_text="net of tax and discount")
    callback_of = CodeOf(Job, "reference", default=None, allow_null=True, help_text="the job it repeats")
    note = TextField(default="")


class JobSerializer(serializers.Serializer[Any]):
    """A job as it is now."""

    reference = serializers.CharField()
    status = serializers.ChoiceField(choices=JobStatus.choices)
    van = serializers.CharField(source="van.code")
    technician = serializers.CharField(source="technician.code", allow_null=True)
    job_type = serializers.CharField(source="job_type.code")
    damage_type = serializers.CharField(source="damage_type.code")
    glass = serializers.CharField(source="glass.code")
    site = SiteOfCustomer(allow_null=True)
    booked_for = serializers.DateField(allow_null=True)
    closed_at = serializers.DateTimeField(allow_null=True)
    outcome = serializers.ChoiceField(choices=[("", "not closed"), *Outcome.choices])
    price = NumberField()
    labour_minutes = NumberField(allow_null=True)
    travel_minutes = NumberField(allow_null=True)
    length_mm = NumberField(allow_null=True)
    catches_fingernail = serializers.BooleanField(allow_null=True)
    in_primary_view = serializers.BooleanField()
    existing_damage = serializers.CharField()
    callback_of = serializers.CharField(source="callback_of.reference", allow_null=True)
    original = serializers.CharField(
        source="original.reference", allow_null=True, help_text="the first job of its chain of callbacks"
    )
    note = serializers.CharField()


class LoggedUseSerializer(serializers.Serializer[Any]):
    """What was logged for a job, by document."""

    document = serializers.CharField(source="document.client_id")
    consumable = serializers.CharField(source="consumable.code")
    quantity = NumberField()
    minutes = NumberField()
    spoilt = NumberField()
    spoilt_reason = serializers.CharField()


class CostsSerializer(serializers.Serializer[Any]):
    """The revenue and costs of a job in all, in the shop's currency."""

    revenue = NumberField()
    materials = NumberField()
    wear = NumberField()
    labour = NumberField()
    travel = NumberField()
    overhead = NumberField()
    contribution = NumberField()
    margin = NumberField()


class JobDetailSerializer(JobSerializer):
    """A job with what was logged and what it cost."""

    uses = LoggedUseSerializer(many=True)
    costs = CostsSerializer(allow_null=True, help_text="null: not closed, or you may not see it")


class JobFilters(FilterSet):
    """Filters by kind of job, place and date."""

    status = Choice(JobStatus.values, field_name="status")
    van = Code(field_name="van__place__code")
    technician = Code(field_name="technician__code")
    job_type = Code(field_name="job_type__code")
    damage_type = Code(field_name="damage_type__code")
    glass = Code(field_name="glass__code")
    customer = Code(field_name="site__customer__code")
    outcome = Choice(Outcome.values, field_name="outcome")
    callback_of = Code(field_name="callback_of__reference")
    booked_from = Day(field_name="booked_for", lookup_expr="gte")
    booked_to = Day(field_name="booked_for", lookup_expr="lte")
    closed_from = DayFrom(field_name="closed_at")
    closed_to = DayTo(field_name="closed_at")


def readable_jobs(person: Person) -> QuerySet[Job]:
    """Return the jobs that a person may read."""
    jobs = Job.objects.select_related(
        "van__place",
        "technician",
        "job_type",
        "damage_type",
        "glass",
        "site__customer",
        "callback_of",
        "original",
    )
    if own_van_only(person):
        own = own_van(person)
        return jobs.filter(pk__in=own.jobs().values("pk")) if own else jobs.none()
    return jobs


class JobList(RowList):
    """Jobs, booked and closed."""

    readers = JOB_READERS
    model = Job
    serializer_class = JobSerializer
    filterset_class = JobFilters
    sortable = {
        "reference": ("reference",),
        "closed_at": ("closed_at", "reference"),
        "booked_for": ("booked_for", "reference"),
    }
    default_sort = "reference"

    def rows(self, person: Person) -> QuerySet[Job]:
        """Return the jobs that the person may read."""
        return readable_jobs(person)


class JobClosed(APIException):
    """A job that is no longer booked."""

    status_code = 409


class JobSchema(ApiSchema):
    """A job's route."""

    def get_request_serializer(self) -> Any:
        """Return the shape of a booking."""
        return BookingSerializer

    def get_response_serializers(self) -> Any:
        """Return the answers by status."""
        if self.method == "GET":
            return {200: JobDetailSerializer}
        return {200: JobSerializer, 201: JobSerializer}


class JobItem(ItemView):
    """One job: GET shows it with its costs, PUT books it or changes its booking."""

    readers = JOB_READERS
    writers = OWNERS
    schema = JobSchema()

    def get(self, request: Request, reference: str) -> Response:
        """Show the job."""
        person = person_of_request(request)
        job: Any = get_object_or_404(readable_jobs(person), reference=reference)
        logged = job.uses.filter(document__corrected_by__isnull=True).select_related("document", "consumable")
        shown = {
            **JobSerializer(job).data,
            "uses": LoggedUseSerializer(logged, many=True).data,
            "costs": _costs(job) if role_of(person) in OFFICE else None,
        }
        return Response(shown)

    def put(self, request: Request, reference: str) -> Response:
        """Book the job, or change its booking."""
        said = read_values(BookingSerializer, request.data, same={"reference": reference})
        try:
            job, created = bookings.book(reference, said)
        except bookings.AlreadyClosed as closed:
            raise JobClosed(str(closed)) from closed
        except ValidationError as error:
            raise Malformed(problems_of(error, {**said, "reference": reference})) from error
        person = person_of_request(request)
        note_change(person, job, "booked by the API", added=created)
        shown = readable_jobs(person).get(pk=job.pk)
        return Response(JobSerializer(shown).data, status=201 if created else 200)


def _costs(job: Job) -> dict[str, Any] | None:
    sums = job.costs.aggregate(**{name: Sum(name) for name in AMOUNTS})
    if sums["revenue"] is None:
        return None
    costs = JobCosts(*(sums[name] for name in AMOUNTS))
    names = (*AMOUNTS, "contribution", "margin")
    return dict(CostsSerializer({name: getattr(costs, name) for name in names}).data)
