"""Callbacks: jobs that repeat another one. The first job of a chain bears the cost of all that follow it."""

from collections.abc import Iterable, Mapping

from shop.models import Job


def in_a_circle(said: Mapping[str, str], jobs: Mapping[str, Job]) -> list[str]:
    """Return the jobs whose callbacks form a loop.

    `said` holds for each job about to be closed the reference of the one it repeats; `jobs` what is stored.
    """

    def repeated(reference: str) -> str:
        if reference in said:
            return said[reference]
        job = stored.get(reference)
        if job is None or job.callback_of is None:
            return ""
        return stored.setdefault(job.callback_of.reference, job.callback_of).reference

    stored = dict(jobs)
    circular = []
    for reference in said:
        seen = {reference}
        current = repeated(reference)
        while current and current not in seen:
            seen.add(current)
            current = repeated(current)
        if current == reference:
            circular.append(reference)
    return circular


def first_of_chain(job: Job) -> Job | None:
    """Return the job that bears the cost of a callback; None when the job repeats none."""
    first = job.callback_of
    while first is not None and first.callback_of is not None:
        first = first.callback_of
    return first


def lead_followers(jobs: Iterable[Job]) -> None:
    """Give all callbacks of jobs, and theirs in turn, the same first job: one query per link of a chain."""
    repeated = {job.pk: job for job in jobs}
    while repeated:
        followers = list(Job.objects.select_for_update().filter(callback_of__in=repeated).order_by("pk"))
        for follower in followers:
            before = repeated[follower.callback_of_id or 0]
            follower.original = before.original or before
        Job.objects.bulk_update(followers, ["original"], batch_size=1000)
        repeated = {follower.pk: follower for follower in followers}
