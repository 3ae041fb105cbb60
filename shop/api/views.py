"""Routes of the API: one per kind of document, under an id that the sender chose.

PUT makes a retry natural: 201 the first time, 200 with the first result when the same comes again, 409 when
the id or the job was taken by something else.
"""

from typing import Any, ClassVar

from django.http import Http404
from django.shortcuts import get_object_or_404
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.documents import DocumentKind
from inventory.ledger import Posting
from inventory.models import Document
from shop.api import serializers
from shop.api.permissions import MethodsFirst, RoleMayUseKind, check_may_post, readable_documents
from shop.api.schema import DocumentSchema
from shop.jobs import additional_usage, close_job, returns_and_corrections
from shop.models import Finding, Person
from shop.people.permissions import is_person


class DocumentView(MethodsFirst):
    """Posts documents of one kind, and shows them as they were recorded."""

    kind: ClassVar[DocumentKind]
    serializer_class: ClassVar[type[serializers.ShapeSerializer]]
    permission_classes = [RoleMayUseKind]
    http_method_names = ["get", "head", "put"]
    schema = DocumentSchema()

    def put(self, request: Request, client_id: str) -> Response:
        """Post the document, once however often it is sent."""
        answer = self.post_body(person_of_request(request), client_id, request.data)
        done = status.HTTP_201_CREATED if answer["created"] else status.HTTP_200_OK
        return Response(answer, status=done)

    def get(self, request: Request, client_id: str) -> Response:
        """Show the document as it was recorded."""
        readable = readable_documents(person_of_request(request), self.kind).select_related("corrected_by")
        document = get_object_or_404(readable, client_id=client_id)
        return Response(serializers.RecordedSerializer(document).data)

    @classmethod
    def post_body(cls, person: Person, client_id: str, body: Any) -> dict[str, Any]:
        """Post what a body says under an id, once; return the answer.

        Raises errors that problem_handler can answer.
        """
        document = serializers.read_document(cls.serializer_class, client_id, body)
        check_may_post(person, document)
        posting = cls.post_document(document, person.get_username())
        stored = Document.objects.get(pk=posting.document_id)
        answer = {
            "kind": stored.kind,
            "id": stored.client_id,
            "posted_at": posting.posted_at,
            "flags": posting.flags,
            "findings": _questions(stored),
            "created": posting.created,
        }
        return serializers.PostedSerializer(answer).data

    @classmethod
    def post_document(cls, document: Any, by: str) -> Posting:
        """Post the document."""
        return returns_and_corrections.post(document, by=by)


class CloseView(DocumentView):
    """Closes of jobs."""

    kind = DocumentKind.CLOSE
    serializer_class = serializers.CloseSerializer

    @classmethod
    def post_document(cls, document: Any, by: str) -> Posting:
        """Close the job."""
        return close_job.close_job(document, by=by).posting


class UseView(DocumentView):
    """Further uses of closed jobs."""

    kind = DocumentKind.USE
    serializer_class = serializers.UseSerializer

    @classmethod
    def post_document(cls, document: Any, by: str) -> Posting:
        """Add the uses to their job."""
        return additional_usage.add_uses_many([document], by=by)[0]


class ReceiptView(DocumentView):
    """Deliveries."""

    kind = DocumentKind.RECEIPT
    serializer_class = serializers.ReceiptSerializer


class TransferView(DocumentView):
    """Transfers between places."""

    kind = DocumentKind.TRANSFER
    serializer_class = serializers.TransferSerializer


class ReturnView(DocumentView):
    """Returns from jobs."""

    kind = DocumentKind.RETURN
    serializer_class = serializers.ReturnSerializer


class CountView(DocumentView):
    """Blind counts."""

    kind = DocumentKind.COUNT
    serializer_class = serializers.CountSerializer


class ScrapView(DocumentView):
    """Scrapped stock."""

    kind = DocumentKind.SCRAP
    serializer_class = serializers.ScrapSerializer


class CorrectionView(DocumentView):
    """Corrections of earlier documents."""

    kind = DocumentKind.CORRECTION
    serializer_class = serializers.CorrectionSerializer


def person_of_request(request: Request) -> Person:
    """Return the signed-in person; a permission has refused everybody else."""
    if not is_person(request.user):
        raise Http404
    return request.user


def _questions(document: Document) -> list[str]:
    return list(Finding.objects.filter(document=document).values_list("message", flat=True))
