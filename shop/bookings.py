"""Booked jobs: known work ahead. A close, not a booking, says what a job took."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from shop import callbacks
from shop.models import Job, JobStatus


class AlreadyClosed(Exception):
    """A job that was done: it changes through documents only."""


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
    if job.callback_of and callbacks.in_a_circle(
        {reference: job.callback_of.reference}, {job.callback_of.reference: job.callback_of}
    ):
        raise ValidationError(
            {"callback_of": "comes back to the job itself; name the job that was done first"}
        )
    save_booked(job)
    return job, created


def save_booked(job: Job) -> None:
    """Save a booked job with the first job of its chain of callbacks, and lead those that repeat it there."""
    job.original = callbacks.first_of_chain(job)
    job.save()
    callbacks.lead_followers([job])
