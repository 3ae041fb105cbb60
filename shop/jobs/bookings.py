"""Booked jobs: known work ahead. A close, not a booking, says what a job took."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from shop.jobs import rework
from shop.models import Job, JobStatus


class AlreadyClosed(Exception):
    """A job that was done: it changes through documents only."""


class AlreadyBooked(Exception):
    """A reference that another job has."""


@transaction.atomic
def book(reference: str, said: Mapping[str, Any]) -> tuple[Job, bool]:
    """Make a booked job, or change it to what is said; return it and whether it is new.

    `said` holds fields of Job with rows for what has a code. Raises AlreadyClosed, and ValidationError with
    each field that cannot be.
    """
    job = Job.objects.select_for_update(of=("self",)).filter(reference=reference).first()
    created = job is None
    job = job or Job(reference=reference)
    if job.status == JobStatus.CLOSED:
        raise AlreadyClosed(f"Job {reference} is closed; correct its close, or post further uses.")
    for name, value in said.items():
        setattr(job, name, value)
    job.full_clean()
    if job.callback_of and rework.in_a_circle(
        {reference: job.callback_of.reference}, {job.callback_of.reference: job.callback_of}
    ):
        raise ValidationError(
            {"callback_of": "comes back to the job itself; name the job that was done first"}
        )
    save_booked(job)
    return job, created


def book_new(reference: str, said: Mapping[str, Any]) -> tuple[Job, bool]:
    """Book a job under a reference that no other has; see book.

    Saying the same again is answered with the job as it was booked the first time, and False. Raises
    AlreadyBooked where the reference is another job's.
    """
    try:
        with transaction.atomic():
            return _book_new(reference, said)
    except (IntegrityError, ValidationError):
        # If somebody booked under it at the same moment, that job is there to see now.
        return _book_new(reference, said)


def _book_new(reference: str, said: Mapping[str, Any]) -> tuple[Job, bool]:
    job = Job.objects.filter(reference=reference).first()
    if job is None:
        return book(reference, said)
    if job.status != JobStatus.BOOKED or any(getattr(job, name) != value for name, value in said.items()):
        raise AlreadyBooked(f"{reference} is another job's reference.")
    return job, False


def cancel(reference: str, reason: str = "") -> Job:
    """Cancel a booked job, which keeps the reason in its note; one that is cancelled stays as it is.

    Raises AlreadyClosed, and Job.DoesNotExist.
    """
    with transaction.atomic():
        job = Job.objects.select_for_update().get(reference=reference)
        if job.status == JobStatus.CANCELLED:
            return job
        note = "\n".join(part for part in (job.note, f"Cancelled: {reason}" if reason else "") if part)
        return book(reference, {"status": JobStatus.CANCELLED, "note": note})[0]


def save_booked(job: Job) -> None:
    """Save a booked job with the first job of its chain of callbacks, and lead those that repeat it there."""
    job.original = rework.first_of_chain(job)
    job.save()
    rework.lead_followers([job])
