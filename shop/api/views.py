"""Routes of the API: one per kind of document, under an id that the sender chose.

PUT makes a retry natural: 201 the first time, 200 with the first result when the same comes again, 409 when
the id or the job was taken by something else.
"""

import json
from typing import Any, ClassVar

from django.http import Http404
from rest_framework import status
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from inventory.documents import Kind
from inventory.ledger import Posting
from inventory.models import Document
from shop import closing, job_documents
from shop.access import is_person
from shop.api import serializers
from shop.api.permissions import RoleMayUseKind, check_may_post, may_read
from shop.api.schema import DocumentSchema
from shop.models import Finding, Person


class DocumentView(APIView):
    """Posts documents of one kind, and shows them as they were recorded."""

    kind: ClassVar[Kind]
    serializer_class: ClassVar[type[serializers.ShapeSerializer]]
    permission_classes = [RoleMayUseKind]
    http_method_names = ["get", "head", "put"]
    schema = DocumentSchema()

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Refuse other methods before asking who it is."""
        if (request.method or "").lower() not in self.http_method_names:
            raise MethodNotAllowed(request.method or "")
        super().initial(request, *args, **kwargs)

    def put(self, request: Request, client_id: str) -> Response:
        """Post the document, once however often it is sent."""
        person = _person(request)
        document = serializers.read_document(self.serializer_class, client_id, request.data)
        check_may_post(person, document)
        posting = self.post_document(document, person.get_username())
        stored = Document.objects.get(pk=posting.document_id)
        answer = {
            "kind": stored.kind,
            "id": stored.client_id,
            "posted_at": posting.posted_at,
            "flags": posting.flags,
            "findings": _questions(stored),
            "created": posting.created,
        }
        done = status.HTTP_201_CREATED if posting.created else status.HTTP_200_OK
        return Response(serializers.PostedSerializer(answer).data, status=done)

    def get(self, request: Request, client_id: str) -> Response:
        """Show the document as it was recorded."""
        found = Document.objects.select_related("corrects", "corrected_by")
        document = found.filter(kind=self.kind, client_id=client_id).first()
        if document is None or not may_read(_person(request), document):
            raise Http404
        undone_by = getattr(document, "corrected_by", None)
        answer = {
            "kind": document.kind,
            "id": document.client_id,
            "content": _said(document),
            "occurred_at": document.occurred_at,
            "posted_at": document.posted_at,
            "recorded_at": document.recorded_at,
            "recorded_by": document.recorded_by,
            "flags": document.flags,
            "findings": _questions(document),
            "corrected_by": undone_by.client_id if undone_by else None,
        }
        return Response(serializers.RecordedSerializer(answer).data)

    def post_document(self, document: Any, by: str) -> Posting:
        """Hand the document to its door."""
        return job_documents.post(document, by=by)


class CloseView(DocumentView):
    """Closes of jobs."""

    kind = Kind.CLOSE
    serializer_class = serializers.CloseSerializer

    def post_document(self, document: Any, by: str) -> Posting:
        """Close the job."""
        return closing.close_job(document, by=by).posting


class UseView(DocumentView):
    """Further uses of closed jobs."""

    kind = Kind.USE
    serializer_class = serializers.UseSerializer

    def post_document(self, document: Any, by: str) -> Posting:
        """Add the uses to their job."""
        return closing.add_uses_many([document], by=by)[0]


class ReceiptView(DocumentView):
    """Deliveries."""

    kind = Kind.RECEIPT
    serializer_class = serializers.ReceiptSerializer


class TransferView(DocumentView):
    """Transfers between places."""

    kind = Kind.TRANSFER
    serializer_class = serializers.TransferSerializer


class ReturnView(DocumentView):
    """Returns from jobs."""

    kind = Kind.RETURN
    serializer_class = serializers.ReturnSerializer


class CountView(DocumentView):
    """Blind counts."""

    kind = Kind.COUNT
    serializer_class = serializers.CountSerializer


class ScrapView(DocumentView):
    """Stock thrown away."""

    kind = Kind.SCRAP
    serializer_class = serializers.ScrapSerializer


class CorrectionView(DocumentView):
    """Corrections of earlier documents."""

    kind = Kind.CORRECTION
    serializer_class = serializers.CorrectionSerializer


def _person(request: Request) -> Person:
    if not is_person(request.user):
        raise Http404
    return request.user


def _questions(document: Document) -> list[str]:
    return list(Finding.objects.filter(document=document).values_list("message", flat=True))


def _said(document: Document) -> dict[str, Any]:
    """Return what was sent: a close and a use keep it whole beside what they took from stock."""
    content: dict[str, Any] = document.content
    if content.get("content"):
        whole: dict[str, Any] = json.loads(content["content"])
        return whole
    return {name: value for name, value in content.items() if name not in ("kind", "id")}
