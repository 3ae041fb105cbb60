"""The door for stock documents of people: posts them, and keeps jobs in step when they touch one.

A return or a correction may concern a job's close; the job's cost and status then follow in the same
transaction. All other documents go to the ledger as they are.
"""

from datetime import datetime

from django.utils import timezone

from inventory import documents, ledger
from inventory.documents import Kind, Problem
from inventory.ledger import Posting, Refused
from inventory.models import Document
from shop import job_costs
from shop.models import Job, JobCost, JobStatus

JOB_KINDS = (Kind.CLOSE, Kind.USE, Kind.RETURN)


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
    if isinstance(document, documents.Return):
        kind, client_id = document.returns_kind, document.returns_id
    else:
        kind, client_id = document.corrects_kind, document.corrects_id
    target = Document.objects.filter(kind=kind, client_id=client_id, kind__in=JOB_KINDS).first()
    job = _locked_job(target) if target else None
    if job and target and isinstance(document, documents.Correction) and target.kind == Kind.CLOSE:
        _refuse_while_further_uses_stand(document, job)
    posting = ledger.post(document, by=by, now=now)
    if job and target and posting.created:
        job_costs.add({posting.document_id: job.pk})
        if isinstance(document, documents.Correction) and target.kind == Kind.CLOSE:
            job.status = JobStatus.BOOKED
            job.outcome = ""
            job.closed_at = None
            job.save(update_fields=["status", "outcome", "closed_at"])
    return posting


def _locked_job(target: Document) -> Job:
    return Job.objects.select_for_update().get(costs__document=target)


def _refuse_while_further_uses_stand(document: documents.Correction, job: Job) -> None:
    further = JobCost.objects.filter(
        job=job, document__kind=Kind.USE, document__corrected_by__isnull=True
    ).select_related("document")
    if further:
        names = ", ".join(cost.document.client_id for cost in further)
        problem = Problem(
            "corrects_id", document.corrects_id, f"has further uses {names}; correct those first"
        )
        raise Refused([(document, problem)])
