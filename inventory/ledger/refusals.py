"""Documents that the ledger does not take, and those kept because another one has their id."""

from collections.abc import Collection, Sequence
from datetime import datetime

from django.db import connection
from django.db.models import QuerySet

from inventory import documents
from inventory.documents import Problem
from inventory.models import RefusedDocument


class Refused(ValueError):
    """Documents that cannot be posted, each with what is wrong; nothing was written."""

    def __init__(self, problems: Sequence[tuple[documents.Sent, Problem]]) -> None:
        self.problems = problems
        super().__init__(
            "; ".join(f"{document.kind} {document.id}: {problem}" for document, problem in problems)
        )


class Conflict(Refused):
    """A document whose id another one has; both are kept for a person to see."""


def keep_refused(conflict: Conflict, *, by: str, now: datetime) -> None:
    """Keep what was refused for its id, unless an enclosing transaction is about to undo it anyway.

    What a phone sends again and again is kept once.
    """
    if connection.in_atomic_block:
        return
    ids = [document.id for document, _ in conflict.problems]
    kept = {documents.digest(content) for content in unresolved(ids).values_list("content", flat=True)}
    new = []
    for document, problem in conflict.problems:
        content = documents.content(document)
        if (digest := documents.digest(content)) in kept:
            continue
        kept.add(digest)
        new.append(
            RefusedDocument(
                kind=document.kind,
                client_id=document.id,
                content=content,
                reason=str(problem),
                refused_at=now,
                refused_by=by,
            )
        )
    RefusedDocument.objects.bulk_create(new)


def unresolved(ids: Collection[str]) -> QuerySet[RefusedDocument]:
    """Return the refused documents of these ids that nobody has looked at yet."""
    return RefusedDocument.objects.filter(client_id__in=ids, resolved_at__isnull=True)
