"""The questions about a technician's jobs closed recently that nobody has answered."""

from datetime import datetime, timedelta

from django.db.models import QuerySet

from shop.close_review.answer_questions import standing_questions
from shop.models import Finding, Job, JobStatus
from shop.people.permissions import OwnVan

# After two weeks a technician may no longer remember a job.
DAYS_BACK = 14


def open_questions(own: OwnVan, now: datetime) -> QuerySet[Finding]:
    """Return the questions about a technician's jobs closed recently that nobody has answered."""
    return standing_questions().filter(answered_at__isnull=True, job__in=recently_closed(own, now))


def recently_closed(own: OwnVan, now: datetime) -> QuerySet[Job]:
    """Return a technician's jobs closed in the last DAYS_BACK days."""
    since = now - timedelta(days=DAYS_BACK)
    return own.jobs().filter(status=JobStatus.CLOSED, closed_at__gte=since)
