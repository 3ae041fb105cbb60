"""Booked jobs: known work ahead. A close, not a booking, says what a job took."""

from collections.abc import Iterable, Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from shop.jobs import rework
from shop.models import Booking, Job, JobStatus

# What a close may change of the booking; the columns of Booking.
CHANGED_BY_CLOSES = tuple(field.attname for field in Booking._meta.concrete_fields if not field.primary_key)


class AlreadyClosed(Exception):
    """The job is closed: it changes through documents only."""


class AlreadyBooked(Exception):
    """Another job has this reference."""


@transaction.atomic
def book(reference: str, said: Mapping[str, Any]) -> tuple[Job, bool]:
    """Create a booked job, or change it to the given values; return it and whether it is new.

    `said` holds fields of Job with rows for what has a code. Raises AlreadyClosed, and ValidationError with
    each invalid field.
    """
    job = Job.objects.select_for_update(of=("self",)).filter(reference=reference).first()
    created = job is None
    job = job or Job(reference=reference)
    if job.status == JobStatus.CLOSED:
        raise AlreadyClosed(f"Job {reference} is closed; correct its close, or post further uses.")
    for name, value in said.items():
        setattr(job, name, value)
    # The reference of an existing job stays, whatever the rule for new ones says.
    job.full_clean(exclude=() if created else ("reference",))
    if _is_in_a_circle(job):
        raise ValidationError(
            {"callback_of": "comes back to the job itself; name the job that was done first"}
        )
    save_booked(job)
    return job, created


def book_new(reference: str, said: Mapping[str, Any]) -> tuple[Job, bool]:
    """Book a job under a reference that no other has; see book.

    The same request again returns the job as it was booked the first time, and False. Raises
    AlreadyBooked where the reference is another job's.
    """
    try:
        with transaction.atomic():
            return _book_new(reference, said)
    except (IntegrityError, ValidationError):
        # If somebody booked under it at the same moment, that job exists now.
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


def keep(jobs: Iterable[Job]) -> None:
    """Store what booked jobs say before closes change it: one query per thousand jobs."""
    Booking.objects.bulk_create(
        (
            Booking(job=job, **{name: getattr(job, name) for name in CHANGED_BY_CLOSES})
            for job in jobs
            if job.status == JobStatus.BOOKED
        ),
        batch_size=1000,
    )


def open_again(job: Job, *, repeated: str) -> None:
    """Turn a locked job whose close was undone into a booked one, as it was booked.

    A job without a stored booking stays as its close said, but repeats no job that only its close named:
    `repeated` is the callback that the close said.
    """
    job.status = JobStatus.BOOKED
    job.outcome = ""
    job.closed_at = job.labour_minutes = job.travel_minutes = None
    booking = Booking.objects.filter(job=job).first()
    if booking is not None:
        for name in CHANGED_BY_CLOSES:
            setattr(job, name, getattr(booking, name))
        booking.delete()
    elif repeated:
        job.callback_of = None
    # Meanwhile the job that its booking named may itself have become a callback of this one.
    if _is_in_a_circle(job):
        job.callback_of = None
    save_booked(job)


def _is_in_a_circle(job: Job) -> bool:
    before = job.callback_of
    return before is not None and bool(
        rework.in_a_circle({job.reference: before.reference}, {before.reference: before})
    )
