"""Permissions of requests, by shop.people.permissions: first by role, then by what the document concerns."""

from typing import Any

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone
from rest_framework.exceptions import MethodNotAllowed, PermissionDenied
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.views import APIView

from inventory import documents
from inventory.documents import DocumentKind
from inventory.models import CountLine, Document, Movement
from shop.jobs.close_data import JobClose, JobUses
from shop.models import Person, Role
from shop.people.permissions import MAY_POST, MAY_READ, STOCK_KINDS, OwnVan, is_person, own_van, role_of

Postable = documents.Document | JobClose | JobUses
TABLES = {"GET": MAY_READ, "HEAD": MAY_READ, "PUT": MAY_POST, "POST": MAY_POST}


class MethodsFirst(APIView):
    """A route that refuses unknown methods before it asks for a sign-in: everybody gets the same 405."""

    def initial(self, request: Request, *args: Any, **named: Any) -> None:
        """Refuse unknown methods, then people without permission."""
        if (request.method or "").lower() not in self.http_method_names:
            raise MethodNotAllowed(request.method or "")
        super().initial(request, *args, **named)


class RoleMayUseKind(BasePermission):
    """Allows a role to read or post the kind of document that the view is for; refuses anything else."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        """Return whether the table of the method lists the kind for the role."""
        user = request.user
        if not is_person(user):
            return False
        table = TABLES.get(request.method or "", {})
        return getattr(view, "kind", None) in table.get(role_of(user), frozenset())


def check_may_post(person: Person, document: Postable) -> None:
    """Raise PermissionDenied when a document concerns what is not the person's own."""
    role = role_of(person)
    if role == Role.TECHNICIAN and (reason := _not_own(own_van(person), document)):
        raise PermissionDenied(reason)
    if (
        role == Role.STOREKEEPER
        and isinstance(document, documents.Correction)
        and document.corrects_kind not in STOCK_KINDS
    ):
        raise PermissionDenied(f"A storekeeper corrects {', '.join(sorted(STOCK_KINDS))}; ask an owner.")


def readable_documents(person: Person, kind: DocumentKind) -> QuerySet[Document]:
    """Return the documents of a kind that a person may read."""
    role = role_of(person)
    documents = Document.objects.filter(kind=kind)
    if kind not in MAY_READ.get(role, frozenset()):
        return documents.none()
    if role == Role.STOREKEEPER and kind == DocumentKind.CORRECTION:
        return documents.filter(corrects__kind__in=STOCK_KINDS)
    if role == Role.TECHNICIAN:
        own = own_van(person)
        return documents.none() if own is None else documents.filter(_own(own, kind))
    return documents


def _own(own: OwnVan, kind: DocumentKind) -> Q:
    """Return the condition under which a document is a technician's own."""
    if kind == DocumentKind.COUNT:
        lines = CountLine.objects.filter(document=OuterRef("pk"))
        return Q(Exists(lines)) & ~Q(Exists(lines.exclude(place=own.van.place_id)))
    if kind == DocumentKind.TRANSFER:
        moved = Movement.objects.filter(document=OuterRef("pk"))
        there = Q(source=own.van.place_id) | Q(destination=own.van.place_id)
        return Q(Exists(moved.filter(there)))
    return Q(job_cost__job__in=own.jobs())


def _not_own(own: OwnVan | None, document: Postable) -> str:
    """Return why a technician may not post a document, or an empty text."""
    if own is None:
        return "You have no van; ask an owner to give you one."
    match document:
        case JobClose():
            yours = document.technician == own.technician.code
            allowed = yours and own.may_close(document.job, document.van, document.closed_at)
        case JobUses():
            allowed = own.may_add_to(document.job)
        case documents.Return():
            of_own_job = own.has_document(document.returns_kind, document.returns_id)
            allowed = document.place == own.code and of_own_job
        case documents.Count():
            allowed = all(line.place == own.code for line in document.lines)
        case documents.Transfer():
            allowed = own.may_carry(document.source, document.destination)
        case documents.Correction():
            is_close = document.corrects_kind == DocumentKind.CLOSE
            if not is_close or not own.may_take_back(document.corrects_id, document.id, timezone.now()):
                return "You can take back your own close, within a day after it came in; ask an owner."
            allowed = True
        case _:
            allowed = False
    return "" if allowed else f"This is not from your van {own.code} or not your job; ask an owner."
