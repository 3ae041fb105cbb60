"""Are jobs, and the uses logged for them, what the documents that closed them say?"""

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple

from django.db.models import Exists, OuterRef, Q

from inventory.documents import DocumentKind, digest
from inventory.integrity.stock_checks import Disagreement, named_where_unreadable
from inventory.models import Document
from shop.common.job_content import stored_job_content
from shop.jobs.close_data import CLEARED
from shop.models import Booking, Job, JobCost, JobStatus, JobUse

CHUNK = 1000
KINDS = (DocumentKind.CLOSE, DocumentKind.USE)


class Logged(NamedTuple):
    """What a job took of one consumable, by codes."""

    job: str
    consumable: str
    quantity: Decimal
    minutes: Decimal
    spoilt: Decimal
    spoilt_reason: str

    def __str__(self) -> str:
        reason = f" ({self.spoilt_reason})" if self.spoilt_reason else ""
        return (
            f"{self.quantity:.4f} {self.consumable} in {self.minutes:.4f} minutes, "
            f"{self.spoilt:.4f} spoilt{reason}, for {self.job}"
        )


def disagreements() -> Iterator[Disagreement]:
    """Yield jobs and logged uses that differ from what their documents say."""
    last = 0
    documents = Document.objects.filter(kind__in=KINDS).order_by("pk")
    related = ("corrected_by", "job_cost__callback_of")
    while chunk := list(documents.filter(pk__gt=last).select_related(*related)[:CHUNK]):
        last = chunk[-1].pk
        yield from _check_chunk(chunk)
    yield from _bookings_without_close()
    yield from _uses_of_other_documents()
    yield from _without_close()


def _check_chunk(chunk: list[Document]) -> Iterator[Disagreement]:
    # A document changed since it was sent is named where documents are checked, and is no evidence here.
    said = {document: _said(document) for document in chunk if document.digest == digest(document.content)}
    logged = _logged(chunk)
    jobs = _jobs({says["job"] for says in said.values() if says})
    for document, says in said.items():
        if says is None:
            yield Disagreement("content of document", str(document), "not to be read", "what a job used")
            continue
        checks = [_uses(document, says, logged[document.pk])]
        if document.kind == DocumentKind.CLOSE and not hasattr(document, "corrected_by"):
            checks.append(_as_closed(document, says, jobs.get(says["job"])))
        for check in checks:
            yield from named_where_unreadable("content of document", str(document), check)


def _said(document: Document) -> dict[str, Any] | None:
    """Return what a close or further uses say; None when that cannot be read."""
    try:
        says = stored_job_content(document.content)
        return says if isinstance(says["job"], str) else None
    except (LookupError, TypeError, ValueError):
        return None


def _logged(chunk: Collection[Document]) -> dict[int, dict[int, Logged]]:
    """Return the stored uses of documents by line."""
    logged: dict[int, dict[int, Logged]] = defaultdict(dict)
    rows = JobUse.objects.filter(document__in=chunk).order_by("line")
    for document, line, *use in rows.values_list(
        *("document_id", "line", "job__reference", "consumable__code"),
        *("quantity", "minutes", "spoilt", "spoilt_reason"),
    ):
        logged[document][line] = Logged(*use)
    return logged


def _jobs(references: Collection[str]) -> dict[str, Job]:
    related = ("van__place", "technician", "job_type", "damage_type", "glass", "callback_of", "booking")
    found = Job.objects.filter(reference__in=references).select_related(*related)
    return {job.reference: job for job in found}


def _uses(document: Document, says: dict[str, Any], logged: dict[int, Logged]) -> Iterator[Disagreement]:
    """Compare the logged uses of a document with its lines."""
    due = {
        number: Logged(
            says["job"],
            line["consumable"],
            Decimal(line["quantity"]),
            Decimal(line["minutes"]),
            Decimal(line["spoilt"]),
            line["spoilt_reason"],
        )
        for number, line in enumerate(says["uses" if document.kind == DocumentKind.CLOSE else "lines"], 1)
    }
    for number in sorted(due.keys() | logged.keys()):
        if (use := logged.get(number)) != (expected := due.get(number)):
            yield Disagreement("logged use", f"{document} line {number}", use or "none", expected or "none")


def _as_closed(document: Document, says: dict[str, Any], job: Job | None) -> Iterator[Disagreement]:
    """Compare a job with the close that is in force for it."""
    if job is None:
        yield Disagreement("job", f"{document}", "none", says["job"])
        return
    due = {
        "status": JobStatus.CLOSED,
        **{name: says[name] for name in ("van", "technician", "job_type", "damage_type", "glass", "outcome")},
        "closed_at": datetime.fromisoformat(says["closed_at"]),
        **{name: Decimal(says[name]) for name in ("price", "labour_minutes", "travel_minutes")},
        "callback_of": says["callback_of"] or _booked_callback(document),
        **_clearable(says, getattr(job, "booking", None)),
    }
    kept = {
        "status": job.status,
        "van": job.van.code,
        "technician": job.technician.code if job.technician else "none",
        "job_type": job.job_type.code,
        "damage_type": job.damage_type.code,
        "glass": job.glass.code,
        "callback_of": str(job.callback_of or ""),
    }
    for name, expected in due.items():
        if (stored := kept.get(name, getattr(job, name))) != expected:
            yield Disagreement(f"job, {name}", f"job {job}, {document}", stored, expected)


def _clearable(says: dict[str, Any], booking: Booking | None) -> dict[str, Any]:
    """Return what a close may clear, as it or else the booking says it; nothing where neither is known."""
    due = {}
    for name in CLEARED.keys() - {"callback_of"}:
        if says[name] != CLEARED[name] or name in says.get("cleared", ()):
            is_length = name == "length_mm" and says[name] is not None
            due[name] = Decimal(says[name]) if is_length else says[name]
        elif booking is not None:
            due[name] = getattr(booking, name)
    return due


def _booked_callback(document: Document) -> str:
    """Return what a job repeats by its booking: its close need not say so, but its cost keeps it."""
    return str(document.job_cost.callback_of or "") if hasattr(document, "job_cost") else ""


def _bookings_without_close() -> Iterator[Disagreement]:
    for booking in Booking.objects.exclude(job__status=JobStatus.CLOSED).select_related("job").iterator():
        yield Disagreement("booking kept", f"job {booking.job}", "one", "none, as no close stands")


def _uses_of_other_documents() -> Iterator[Disagreement]:
    others = JobUse.objects.exclude(document__kind__in=KINDS).select_related("job", "document", "consumable")
    for use in others.iterator():
        yield Disagreement("logged use", f"{use.document} line {use.line}", use, "none")


def _without_close() -> Iterator[Disagreement]:
    """Yield jobs that are closed though no close stands, and others that ended though they are not closed."""
    standing = JobCost.objects.filter(
        job=OuterRef("pk"), document__kind=DocumentKind.CLOSE, document__corrected_by__isnull=True
    )
    closed = Job.objects.filter(status=JobStatus.CLOSED)
    for job in closed.filter(~Exists(standing)).iterator():
        yield Disagreement("job, status", f"job {job}", job.status, "booked, as no close stands")
    ended = Q(closed_at__isnull=False) | ~Q(outcome="")
    for job in Job.objects.exclude(status=JobStatus.CLOSED).filter(ended).iterator():
        stored = f"{job.status}, ended {job.closed_at} {job.outcome}".rstrip()
        yield Disagreement("job, closed_at", f"job {job}", stored, f"{job.status}, not ended")
