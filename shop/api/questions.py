"""Questions that closes raised, and documents that were refused for their id."""

from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django_filters import FilterSet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.documents import DocumentKind, free_text_problem
from inventory.models import RefusedDocument
from shop.api.catalogue_serializers import CatalogueShape
from shop.api.fields import TextField
from shop.api.filters import Choice, Code, DayFrom, DayTo, Flag
from shop.api.item_views import ItemView
from shop.api.lists import JOB_READERS, RowList, own_van_only
from shop.api.serializers import read_values
from shop.api.views import person_of_request
from shop.close_review.answer_questions import LONGEST_ANSWER, AnsweredAlready, answer, answer_first
from shop.models import Finding, Person, Role
from shop.people.permissions import MAY_POST, own_van, role_of

ANSWERERS = frozenset({Role.TECHNICIAN, Role.OWNER})


class FindingSerializer(serializers.Serializer[Any]):
    """A question about a close, and its answer if there is one."""

    number = serializers.IntegerField(source="pk")
    job = serializers.CharField(source="job.reference")
    document = serializers.CharField(source="document.client_id")
    code = serializers.CharField()
    consumable = serializers.CharField()
    message = serializers.CharField()
    answered_at = serializers.DateTimeField(allow_null=True)
    answer = serializers.CharField()


class FindingFilters(FilterSet):
    """Filters by job, code, and whether it is answered."""

    job = Code(field_name="job__reference")
    code = Code(field_name="code")
    answered = Flag(method="only_answered")

    def only_answered(self, rows: QuerySet[Any], _name: str, value: bool | None) -> QuerySet[Any]:  # noqa: FBT001
        """Return the answered questions, or the open ones."""
        return rows if value is None else rows.filter(answered_at__isnull=not value)


def readable_findings(person: Person) -> QuerySet[Finding]:
    """Return the questions about jobs that a person may read."""
    findings = Finding.objects.select_related("job", "document")
    if own_van_only(person):
        own = own_van(person)
        return findings.filter(job__in=own.jobs()) if own else findings.none()
    return findings


class Findings(RowList):
    """Questions that closes raised."""

    readers = JOB_READERS
    model = Finding
    serializer_class = FindingSerializer
    filterset_class = FindingFilters
    sortable = {"number": ("pk",), "job": ("job__reference", "pk")}
    default_sort = "-number"
    tie_breaker = ()

    def rows(self, person: Person) -> QuerySet[Finding]:
        """Return the questions that the person may read."""
        return readable_findings(person)


class AnswerField(TextField):
    """An answer in a few words."""

    def to_internal_value(self, data: Any) -> str:
        """Return the text."""
        text = super().to_internal_value(data)
        if not text.strip():
            raise serializers.ValidationError("is empty; say what was found out")
        if len(text) > LONGEST_ANSWER:
            raise serializers.ValidationError(f"is longer than {LONGEST_ANSWER} characters")
        if found := free_text_problem(text):
            raise serializers.ValidationError(found)
        return text


class AnswerSerializer(CatalogueShape):
    """The answer to a question."""

    answer = AnswerField()


class HasAnotherAnswer(APIException):
    """A question that has another answer."""

    status_code = 409


class FindingAnswer(ItemView):
    """The answer to one question. An owner may replace an answer, a technician may not."""

    writers = ANSWERERS
    http_method_names = ["put"]

    @extend_schema(request=AnswerSerializer, responses={200: FindingSerializer})
    def put(self, request: Request, number: int) -> Response:
        """Keep the answer."""
        said = read_values(AnswerSerializer, request.data, same={})
        person = person_of_request(request)
        finding = get_object_or_404(readable_findings(person), pk=number)
        keep = answer_first if role_of(person) == Role.TECHNICIAN else answer
        try:
            keep(finding, said["answer"], by=person, now=timezone.now())
        except AnsweredAlready as error:
            raise HasAnotherAnswer(str(error)) from error
        return Response(FindingSerializer(finding).data)


class RefusedSerializer(serializers.Serializer[Any]):
    """A document that was sent with the id of another one."""

    kind = serializers.CharField()
    id = serializers.CharField(source="client_id")
    content = serializers.DictField(help_text="as it was sent")
    reason = serializers.CharField()
    refused_at = serializers.DateTimeField()
    refused_by = serializers.CharField()
    resolved_at = serializers.DateTimeField(allow_null=True)


class RefusedFilters(FilterSet):
    """Filters by kind, id, person and date."""

    kind = Choice([kind.value for kind in DocumentKind], field_name="kind")
    id = Code(field_name="client_id")
    refused_by = Code(field_name="refused_by")
    refused_from = DayFrom(field_name="refused_at")
    refused_to = DayTo(field_name="refused_at")
    resolved = Flag(method="only_resolved")

    def only_resolved(self, rows: QuerySet[Any], _name: str, value: bool | None) -> QuerySet[Any]:  # noqa: FBT001
        """Return the documents that were settled, or those that wait."""
        return rows if value is None else rows.filter(resolved_at__isnull=not value)


class RefusedDocuments(RowList):
    """Documents refused for their id; technicians read their own, storekeepers those of stock."""

    readers = ANSWERERS | {Role.STOREKEEPER}
    model = RefusedDocument
    serializer_class = RefusedSerializer
    filterset_class = RefusedFilters
    sortable = {"refused_at": ("refused_at",)}
    default_sort = "-refused_at"

    def rows(self, person: Person) -> QuerySet[RefusedDocument]:
        """Return the documents that the person may see."""
        role = role_of(person)
        rows = RefusedDocument.objects.filter(kind__in=MAY_POST[role])
        return rows.filter(refused_by=person.get_username()) if role == Role.TECHNICIAN else rows
