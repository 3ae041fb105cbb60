"""Documents of one kind as lists; the list of closes also takes several at once."""

from typing import Any, ClassVar

from django.db.models import QuerySet
from django_filters import FilterSet
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.documents import DocumentKind
from inventory.models import Document
from shop.api.bulk_closes import CloseInListSerializer, CloseResultSerializer, post_each
from shop.api.filters import Code, DayFrom, DayTo, Flag
from shop.api.lists import RowList
from shop.api.permissions import RoleMayUseKind, readable_documents
from shop.api.serializers import RecordedSerializer
from shop.api.views import person_of_request
from shop.models import Person


class DocumentFilters(FilterSet):
    """Filters by date, by person, and by whether a correction has undone the document."""

    occurred_from = DayFrom(field_name="occurred_at")
    occurred_to = DayTo(field_name="occurred_at")
    posted_from = DayFrom(field_name="posted_at")
    posted_to = DayTo(field_name="posted_at")
    recorded_by = Code(field_name="recorded_by")
    corrected = Flag(method="only_corrected", help_text="whether a correction has undone it")

    def only_corrected(self, rows: QuerySet[Any], _name: str, value: bool | None) -> QuerySet[Any]:  # noqa: FBT001
        """Return the documents that were undone, or the others."""
        return rows if value is None else rows.filter(corrected_by__isnull=not value)


class DocumentList(RowList):
    """Documents of one kind."""

    kind: ClassVar[DocumentKind]
    model = Document
    permission_classes = [RoleMayUseKind]
    serializer_class = RecordedSerializer
    filterset_class = DocumentFilters
    sortable = {"posted_at": ("posted_at",), "occurred_at": ("occurred_at",), "id": ("order",)}
    default_sort = "-posted_at"

    def rows(self, person: Person) -> QuerySet[Document]:
        """Return the documents that the person may read."""
        return (
            readable_documents(person, self.kind).select_related("corrected_by").prefetch_related("findings")
        )


class CloseList(DocumentList):
    """Closes of jobs; several can be posted at once."""

    kind = DocumentKind.CLOSE
    http_method_names = ["get", "head", "post"]

    @extend_schema(
        request=CloseInListSerializer(many=True),
        responses={200: CloseResultSerializer(many=True)},
        filters=False,
    )
    def post(self, request: Request) -> Response:
        """Post each close of a list by itself; the answer has the result of each."""
        results = post_each(person_of_request(request), request.data)
        return Response(CloseResultSerializer(results, many=True).data)


class UseList(DocumentList):
    """Further uses of closed jobs."""

    kind = DocumentKind.USE


class ReceiptList(DocumentList):
    """Deliveries."""

    kind = DocumentKind.RECEIPT


class TransferList(DocumentList):
    """Transfers between places."""

    kind = DocumentKind.TRANSFER


class ReturnList(DocumentList):
    """Returns from jobs."""

    kind = DocumentKind.RETURN


class CountList(DocumentList):
    """Blind counts."""

    kind = DocumentKind.COUNT


class ScrapList(DocumentList):
    """Scrapped stock."""

    kind = DocumentKind.SCRAP


class CorrectionList(DocumentList):
    """Corrections of earlier documents."""

    kind = DocumentKind.CORRECTION
