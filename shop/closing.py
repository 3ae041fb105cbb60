"""The one door through which a job closes: `close_job`, or `close_many`.

A close is exactly-once by its id; a second close of the same job that says the same is answered with the
first result, one that says something else is refused and kept. A job that was never booked is made by its
close. What looks wrong is asked about, never refused.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, TypeVar

from django.utils import timezone

from inventory import documents, ledger
from inventory.documents import Line, Problem
from inventory.ledger import Conflict, Posting, Refused
from inventory.models import Consumable, Document
from shop import findings, job_costs
from shop.closes import Close, JobUses, UsedLine, canonical, close_content, close_problems, use_problems
from shop.models import (
    DamageType,
    Finding,
    GlassType,
    Job,
    JobCost,
    JobStatus,
    JobType,
    JobUse,
    Technician,
    Van,
)

T = TypeVar("T")
BATCH = 1000
Progress = Callable[[int], object]


@dataclass(frozen=True, slots=True)
class Closed:
    """The answer to a close: the job, how its document posted, and what to ask about it."""

    job: str
    posting: Posting
    findings: tuple[str, ...] = ()


def close_job(close: Close, *, by: str = "", now: datetime | None = None) -> Closed:
    """Close one job. Raises Refused, or Conflict when the id or the job was closed with other content."""
    return close_many([close], by=by, now=now)[0]


def close_many(
    closes: Iterable[Close], *, by: str = "", now: datetime | None = None, progress: Progress = lambda _: None
) -> list[Closed]:
    """Close jobs, all or none; answers come in order. Raises Refused with every problem of every close."""
    batch = list(closes)
    now = now or timezone.now()
    return _keeping_conflicts(lambda: _close_all(batch, by, now, progress), by, now)


def add_uses_many(
    uses: Iterable[JobUses], *, by: str = "", now: datetime | None = None, progress: Progress = lambda _: None
) -> list[Posting]:
    """Post further consumables of closed jobs, all or none. Raises Refused with every problem."""
    batch = list(uses)
    now = now or timezone.now()
    return _keeping_conflicts(lambda: _add_all_uses(batch, by, now, progress), by, now)


def _keeping_conflicts(work: Callable[[], T], by: str, now: datetime) -> T:
    try:
        return ledger.once_more_if_raced(work)
    except Conflict as conflict:
        ledger.keep_refused(conflict, by=by, now=now)
        raise


class _Names:
    """What the codes of closes mean."""

    def __init__(self, closes: Sequence[Close]) -> None:
        self.vans = {van.place.code: van for van in Van.objects.select_related("place")}
        self.technicians = {technician.code: technician for technician in Technician.objects.all()}
        self.job_types = {job_type.code: job_type for job_type in JobType.objects.all()}
        self.damage_types = {damage.code: damage for damage in DamageType.objects.all()}
        self.glass = {glass.code: glass for glass in GlassType.objects.all()}
        self.closing = {close.job for close in closes}
        named = self.closing | {close.callback_of for close in closes if close.callback_of}
        self.jobs: dict[str, Job] = {}
        for chunk in _chunks(sorted(named)):
            jobs = Job.objects.select_for_update().filter(reference__in=chunk).order_by("pk")
            self.jobs |= {job.reference: job for job in jobs}

    def problems(self, close: Close) -> list[Problem]:
        """Return the codes of a close that mean nothing."""
        known = (
            ("van", close.van, self.vans),
            ("technician", close.technician, self.technicians),
            ("job_type", close.job_type, self.job_types),
            ("damage_type", close.damage_type, self.damage_types),
            ("glass", close.glass, self.glass),
        )
        found = [
            Problem(name, code, f"is not a known {name.replace('_', ' ')}")
            for name, code, names in known
            if code not in names
        ]
        original = close.callback_of
        if original and original not in self.jobs and original not in self.closing:
            found.append(Problem("callback_of", original, "is not a known job"))
        if close.job in self.jobs and self.jobs[close.job].status == JobStatus.CANCELLED:
            found.append(
                Problem("job", close.job, "is cancelled; book it again or close it under a new reference")
            )
        return found


def _close_all(batch: list[Close], by: str, now: datetime, progress: Progress) -> list[Closed]:
    names = _Names(batch)
    problems = [
        (close, problem) for close in batch for problem in (*close_problems(close), *names.problems(close))
    ]
    problems += _circles(batch, names)
    if problems:
        raise Refused(problems)
    contents = {close.id: close_content(close) for close in batch}
    first_ids = _ids_of_first_closes(batch, names, contents)
    to_post = [
        documents.Close(
            id=first_ids.get(close.job, close.id),
            occurred_at=close.closed_at,
            place=close.van,
            lines=_stock_lines(close.uses),
            content=contents[close.id],
        )
        for close in batch
    ]
    postings = ledger.post_many(to_post, by=by, now=now, progress=progress)
    new = [(close, posting) for close, posting in zip(batch, postings, strict=True) if posting.created]
    _store_jobs([close for close, _ in new], names)
    jobs = {posting.document_id: names.jobs[close.job] for close, posting in new}
    asked = _store_lines([(close.uses, posting) for close, posting in new], jobs, now)
    return [
        Closed(close.job, posting, tuple(asked.get(posting.document_id, ())))
        for close, posting in zip(batch, postings, strict=True)
    ]


def _circles(batch: list[Close], names: _Names) -> list[tuple[Close, Problem]]:
    """Return the closes whose callbacks come back to themselves."""
    originals = {close.job: close.callback_of for close in batch if close.callback_of}

    def original_of(job: str) -> str:
        known = names.jobs.get(job)
        if job in originals or known is None or known.callback_of is None:
            return originals.get(job, "")
        names.jobs.setdefault(known.callback_of.reference, known.callback_of)
        return known.callback_of.reference

    problems = []
    for close in batch:
        seen = {close.job}
        current = original_of(close.job) if close.callback_of else ""
        while current and current not in seen:
            seen.add(current)
            current = original_of(current)
        if current == close.job and close.callback_of != close.job:
            problems.append(
                (
                    close,
                    Problem(
                        "callback_of", close.callback_of, "comes back to the job itself; clear one of them"
                    ),
                )
            )
    return problems


def _ids_of_first_closes(batch: list[Close], names: _Names, contents: dict[str, str]) -> dict[str, str]:
    """Return the id of the standing close of each job closed before by another id with the same content.

    Two phones may close the same job. The same content counts once; other content is a conflict.
    """
    closed = {
        job.pk: reference
        for reference, job in names.jobs.items()
        if job.status == JobStatus.CLOSED and reference in names.closing
    }
    standing: dict[str, Document] = {}
    for chunk in _chunks(sorted(closed)):
        costs = JobCost.objects.filter(job__in=chunk, jobs=1, document__corrected_by__isnull=True)
        standing |= {closed[cost.job_id]: cost.document for cost in costs.select_related("document")}
    first_ids = {}
    conflicts = []
    seen: dict[str, Close] = {}
    for close in batch:
        first = standing.get(close.job)
        if first is not None and first.client_id != close.id:
            if first.content["content"] == contents[close.id]:
                first_ids[close.job] = first.client_id
            else:
                expected = (
                    f"was closed already, by {first.client_id}; both are kept: "
                    "add what is missing as further uses, or correct the first close"
                )
                conflicts.append((close, Problem("job", close.job, expected)))
        earlier = seen.setdefault(close.job, close)
        if earlier.id != close.id:
            conflicts.append((close, Problem("job", close.job, f"is closed twice, also by {earlier.id}")))
    if conflicts:
        raise Conflict(conflicts)
    return first_ids


def _stock_lines(uses: Sequence[UsedLine]) -> tuple[Line, ...]:
    return tuple(Line(use.consumable, use.quantity) for use in uses if use.quantity)


def _store_jobs(closes: list[Close], names: _Names) -> None:
    """Write the jobs of new closes: booked ones are closed, others are made."""
    new = [Job(reference=close.job) for close in closes if close.job not in names.jobs]
    made = {job.reference: job for job in new}
    names.jobs |= made
    for close in closes:
        job = names.jobs[close.job]
        job.status = JobStatus.CLOSED
        job.van = names.vans[close.van]
        job.technician = names.technicians[close.technician]
        job.job_type = names.job_types[close.job_type]
        job.damage_type = names.damage_types[close.damage_type]
        job.glass = names.glass[close.glass]
        job.closed_at = close.closed_at
        job.price = close.price
        job.labour_minutes = close.labour_minutes
        job.travel_minutes = close.travel_minutes
        job.outcome = close.outcome
        job.length_mm = close.length_mm if close.length_mm is not None else job.length_mm
        job.in_primary_view = close.in_primary_view or job.in_primary_view
        job.existing_damage = close.existing_damage or job.existing_damage
        job.note = close.note or job.note
    Job.objects.bulk_create(new, batch_size=BATCH)
    # Callbacks may name a job that this batch makes, so they are set once all have an id.
    changed = [names.jobs[close.job] for close in closes if close.job not in made]
    fields = [field.name for field in Job._meta.concrete_fields if not field.primary_key]
    for close in closes:
        if close.callback_of:
            names.jobs[close.job].callback_of = names.jobs[close.callback_of]
    repeats = [names.jobs[close.job] for close in closes if names.jobs[close.job].callback_of_id]
    for job in repeats:
        job.original = _first_of_chain(job)
    Job.objects.bulk_update(changed, fields, batch_size=100)
    callbacks = [job for job in repeats if job.reference in made]
    Job.objects.bulk_update(callbacks, ["callback_of", "original"], batch_size=BATCH)


def _first_of_chain(job: Job) -> Job:
    while job.callback_of is not None:
        job = job.original or job.callback_of
    return job


def _store_lines(
    posted: list[tuple[tuple[UsedLine, ...], Posting]], jobs: dict[int, Job], now: datetime
) -> dict[int, list[str]]:
    """Write the logged uses and costs of new documents; return what to ask about each."""
    codes = sorted({use.consumable for uses, _ in posted for use in uses})
    consumables = Consumable.objects.in_bulk(codes, field_name="code")
    rows = [
        JobUse(
            job=jobs[posting.document_id],
            document_id=posting.document_id,
            line=number,
            consumable=consumables[use.consumable],
            quantity=use.quantity,
            minutes=use.minutes,
            spoilt=use.spoilt,
            spoilt_reason=use.spoilt_reason,
        )
        for uses, posting in posted
        for number, use in enumerate(uses, 1)
    ]
    JobUse.objects.bulk_create(rows, batch_size=BATCH)
    job_costs.add({document: job.pk for document, job in jobs.items()})
    found = findings.of_documents(jobs, rows, now)
    Finding.objects.bulk_create(found, batch_size=BATCH)
    asked: dict[int, list[str]] = {}
    for finding in found:
        asked.setdefault(finding.document_id, []).append(finding.message)
    return asked


def _add_all_uses(batch: list[JobUses], by: str, now: datetime, progress: Progress) -> list[Posting]:
    jobs: dict[str, Job] = {}
    for chunk in _chunks(sorted({uses.job for uses in batch})):
        found = Job.objects.select_for_update().filter(reference__in=chunk).order_by("pk")
        jobs |= {job.reference: job for job in found.select_related("van__place")}
    problems: list[tuple[JobUses, Problem]] = []
    for uses in batch:
        job = jobs.get(uses.job)
        if job is None:
            problems.append((uses, Problem("job", uses.job, "is not a known job")))
        elif job.closed_at is None:
            problems.append((uses, Problem("job", uses.job, f"is {job.status}, not closed; close it first")))
        problems += [(uses, problem) for problem in use_problems(uses.lines)]
    if problems:
        raise Refused(problems)
    to_post = [
        documents.Use(
            id=uses.id,
            occurred_at=jobs[uses.job].closed_at or now,
            place=jobs[uses.job].van.place.code,
            lines=_stock_lines(uses.lines),
            content=canonical({"job": uses.job, "lines": [asdict(line) for line in uses.lines]}),
        )
        for uses in batch
    ]
    postings = ledger.post_many(to_post, by=by, now=now, progress=progress)
    new = [(uses, posting) for uses, posting in zip(batch, postings, strict=True) if posting.created]
    _store_lines(
        [(uses.lines, posting) for uses, posting in new],
        {posting.document_id: jobs[uses.job] for uses, posting in new},
        now,
    )
    return postings


def _chunks(items: list[Any]) -> Iterator[list[Any]]:
    for start in range(0, len(items), BATCH):
        yield items[start : start + BATCH]
