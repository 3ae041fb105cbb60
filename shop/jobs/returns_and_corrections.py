"""The way in for stock documents of people: posts them, and updates the job that one concerns.

A return or a correction may concern a job's close; the job's cost and status then follow in the same
transaction. All other documents go to the ledger as they are.
"""

from datetime import datetime

from django.utils import timezone

from inventory import documents, ledger
from inventory.documents import DocumentKind, Problem
from inventory.ledger import Posting, Refused
from inventory.models import Document
from shop.common.job_content import stored_job_content
from shop.costing import job_costs
from shop.jobs import bookings
from shop.models import Job, JobCost

JOB_KINDS = (DocumentKind.CLOSE, DocumentKind.USE, DocumentKind.RETURN)


def post(document: documents.Document, *, by: str = "", now: datetime | None = None) -> Posting:
    """Post a document. Raises Refused, Conflict as the ledger does."""
    if not isinstance(document, documents.Return | documents.Correction):
        return ledger.post(document, by=by, now=now)
    now = now or timezone.now()
    try:
        return ledger.once_more_if_raced(lambda: _post_to_job(document, by, now))
    except ledger.Conflict as conflict:
        ledger.keep_refused(conflict, by=by, now=now)
        raise


def _post_to_job(document: documents.Return | documents.Correction, by: str, now: datetime) -> Posting:
    target = _target(document)
    if target is None:
        return ledger.post(document, by=by, now=now)
    job = _locked_job(target)
    opens_again = isinstance(document, documents.Correction) and target.kind == DocumentKind.CLOSE
    # What is undone already needs no check: the ledger answers a retry and refuses a second correction.
    if opens_again and not hasattr(target, "corrected_by"):
        _refuse_while_further_uses_stand(document, target, job)
    posting = ledger.post(document, by=by, now=now)
    if posting.created:
        job_costs.add({posting.document_id: job})
        if opens_again:
            said = stored_job_content(target.content)
            bookings.open_again(job, repeated=said["callback_of"])
    return posting


def _target(document: documents.Return | documents.Correction) -> Document | None:
    """Return the document of a job that this one concerns; None when it concerns no job, or is not valid."""
    if any(documents.problems(document)):
        return None
    if isinstance(document, documents.Return):
        kind, client_id = document.returns_kind, document.returns_id
    else:
        kind, client_id = document.corrects_kind, document.corrects_id
    found = Document.objects.filter(kind=kind, client_id=client_id, kind__in=JOB_KINDS)
    return found.select_related("corrected_by").first()


def _locked_job(target: Document) -> Job:
    return Job.objects.select_for_update().get(costs__document=target)


def _refuse_while_further_uses_stand(document: documents.Document, target: Document, job: Job) -> None:
    further = JobCost.objects.filter(
        job=job, document__kind=DocumentKind.USE, document__corrected_by__isnull=True
    ).select_related("document")
    if further:
        names = ", ".join(cost.document.client_id for cost in further)
        problem = Problem("corrects_id", target.client_id, f"has further uses {names}; correct those first")
        raise Refused([(document, problem)])
