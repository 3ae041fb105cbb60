"""The one way to close a job: `close_job`, or `close_many`.

A close is exactly-once by its id; a second close of the same job that says the same is answered with the
first result, one that says something else is refused and kept. The close of a job that was never booked
creates it. A close that looks wrong raises a question and is never refused.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from django.db.models import Model, Value
from django.utils import timezone

from inventory import documents, ledger
from inventory.documents import LONGEST_CODE, DocumentKind, Problem, name_problem, text_problem
from inventory.ledger import Conflict, Posting, Refused
from inventory.ledger.code_lookup import Catalogue
from inventory.models import Document
from shop.close_review import raise_questions
from shop.common.chunks import chunks
from shop.common.job_content import stored_text
from shop.common.progress import Progress
from shop.jobs import bookings, rework
from shop.jobs.close_data import (
    CLEARED,
    JobClose,
    close_content,
    close_problems,
    is_said_elsewhere,
    is_said_in,
)
from shop.jobs.pending_usage import add_at_close
from shop.jobs.posting import (
    BATCH,
    keeping_conflicts,
    line_problems,
    locked_jobs,
    stock_lines,
    write_lines,
)
from shop.models import (
    DamageType,
    Finding,
    GlassType,
    Job,
    JobCost,
    JobStatus,
    JobType,
    Person,
    Technician,
    Van,
    in_shop_zone,
    the_shop,
)


@dataclass(frozen=True, slots=True)
class Closed:
    """The answer to a close: the job, how its document posted, and what this asked about it."""

    job: str
    posting: Posting
    findings: tuple[str, ...] = ()


def close_job(close: JobClose, *, by: str = "", now: datetime | None = None) -> Closed:
    """Close one job. Raises Refused, or Conflict when the id or the job was closed with other content.

    Unlike in bulk, the job is compared with the latest of its type, and questioned when it used nothing.
    Uses of this job that a file brought earlier are added at once.
    """
    now = now or timezone.now()
    return keeping_conflicts(lambda: _close_all([close], by, now, lambda _: None, alone=True), by, now)[0]


def close_many(
    closes: Iterable[JobClose],
    *,
    by: str = "",
    now: datetime | None = None,
    progress: Progress = lambda _: None,
) -> list[Closed]:
    """Close jobs, all or none; answers come in order. Raises Refused with every problem of every close."""
    batch = list(closes)
    now = now or timezone.now()
    return keeping_conflicts(lambda: _close_all(batch, by, now, progress, alone=False), by, now)


# What a close names by code: each is a field of the close and one of the job.
NAMED: tuple[tuple[str, type[Model], str], ...] = (
    ("van", Van, "place__code"),
    ("technician", Technician, "code"),
    ("job_type", JobType, "code"),
    ("damage_type", DamageType, "code"),
    ("glass", GlassType, "code"),
)


def _ids_by_name() -> dict[tuple[str, str], int]:
    """Return the id of each code, by field and code: these tables are small, so one query."""
    tables = [
        model._default_manager.order_by().values_list(Value(field), code, "pk")
        for field, model, code in NAMED
    ]
    return {(field, code): pk for field, code, pk in tables[0].union(*tables[1:], all=True)}


class _Names:
    """The rows that the codes of closes name."""

    def __init__(self, closes: Sequence[JobClose]) -> None:
        self.ids = _ids_by_name()
        self.catalogue = Catalogue()
        self.catalogue.read_consumables(use.consumable for close in closes for use in close.uses)
        self.consumables = self.catalogue.consumables
        self.closing = {close.job for close in closes}
        self.jobs = locked_jobs(self.closing | {close.callback_of for close in closes})

    def problems(self, close: JobClose) -> Iterator[Problem]:
        """Yield the unknown codes of a close."""
        for field, _, _ in NAMED:
            code = getattr(close, field)
            if (field, code) not in self.ids:
                yield Problem(field, code, f"is not a known {field.replace('_', ' ')}")
        original = close.callback_of
        if original and original not in self.jobs and original not in self.closing:
            yield Problem("callback_of", original, "is not a known job")
        if (
            close.job not in self.jobs
            and not text_problem(close.job, LONGEST_CODE)
            and (found := name_problem(close.job, LONGEST_CODE))
        ):
            yield Problem("job", close.job, found)
        if close.job in self.jobs and self.jobs[close.job].status == JobStatus.CANCELLED:
            yield Problem("job", close.job, "is cancelled; book it again or close it under a new reference")
        yield from line_problems(close.uses, self.consumables)


def _close_all(
    batch: list[JobClose], by: str, now: datetime, progress: Progress, *, alone: bool
) -> list[Closed]:
    names = _Names(batch)
    problems = [
        (close, problem) for close in batch for problem in (*close_problems(close), *names.problems(close))
    ]
    problems += _circles(batch, names)
    if problems:
        raise Refused(problems)
    to_post = [
        documents.Close(
            id=first.id,
            occurred_at=first.closed_at,
            place=close.van,
            lines=stock_lines(close.uses),
            content=first.content,
        )
        for close, first in zip(batch, _as_posted(batch, names, by), strict=True)
    ]
    postings = ledger.post_within(to_post, names.catalogue, by=by, now=now, progress=progress)
    new = [(close, posting) for close, posting in zip(batch, postings, strict=True) if posting.created]
    _store_jobs([close for close, _ in new], names)
    jobs = {posting.document_id: names.jobs[close.job] for close, posting in new}
    rows = write_lines([(close.uses, posting) for close, posting in new], jobs, names.consumables)
    found, more = add_at_close(jobs, by, now) if alone else ([], False)
    # What a job was closed with before is undone by the time it is closed again.
    found += raise_questions.of_documents(jobs, None if more else rows, now, alone=alone)
    found += raise_questions.of_days(jobs, now, alone=alone)
    Finding.objects.bulk_create(found, batch_size=BATCH)
    asked: dict[int, list[str]] = defaultdict(list)
    for finding in found:
        asked[finding.document_id].append(finding.message)
    return [
        Closed(close.job, posting, tuple(asked[posting.document_id]))
        for close, posting in zip(batch, postings, strict=True)
    ]


def _circles(batch: list[JobClose], names: _Names) -> list[tuple[JobClose, Problem]]:
    """Return the closes whose callbacks form a loop over other jobs."""
    said = {
        close.job: close for close in batch if close.says("callback_of") and close.callback_of != close.job
    }
    circular = rework.in_a_circle({job: close.callback_of for job, close in said.items()}, names.jobs)
    expected = "comes back to the job itself; clear one of them"
    return [(said[job], Problem("callback_of", said[job].callback_of, expected)) for job in circular]


@dataclass(frozen=True, slots=True)
class _Standing:
    """A close that a job has: its id, moment and content, and who recorded it."""

    id: str
    closed_at: datetime
    content: str
    by: str
    technician: str


def _as_posted(batch: list[JobClose], names: _Names, by: str) -> list[_Standing]:
    """Return what to post each close as: itself, or the standing one that says the same.

    Two phones may close the same job. The same content counts once; other content is a conflict. A close
    whose id was posted before is left to the ledger, which knows what was said under it.
    """
    standing = _standing_closes(names)
    times = Counter(close.job for close in batch)
    doubtful = {close.id for close in batch if close.job in standing or times[close.job] > 1}
    posted: dict[str, str] = {}
    for chunk in chunks(sorted(doubtful)):
        rows = Document.objects.filter(kind=DocumentKind.CLOSE, client_id__in=chunk)
        posted |= {id_: stored_text(said) for id_, said in rows.values_list("client_id", "content")}
    as_posted = []
    conflicts = []
    for close in batch:
        own = _Standing(close.id, close.closed_at, close_content(close), by, close.technician)
        if close.id in posted:
            kept = posted[close.id]
            as_posted.append(replace(own, content=kept) if is_said_in(kept, close) else own)
            continue
        first = standing.setdefault(close.job, own)
        if first.id == close.id:
            as_posted.append(first if is_said_in(first.content, close) else own)
        elif is_said_elsewhere(first.content, close):
            as_posted.append(first)
        else:
            conflicts.append((close, first))
    if conflicts:
        raise Conflict(list(_closed_already(conflicts)))
    return as_posted


def _closed_already(conflicts: list[tuple[JobClose, _Standing]]) -> Iterator[tuple[JobClose, Problem]]:
    """Yield for each close that came second who had closed its job, and when by the shop's clocks."""
    shop = the_shop()
    people = {
        person.get_username(): str(person)
        for chunk in chunks(sorted({first.by for _, first in conflicts}))
        for person in Person.objects.filter(username__in=chunk)
    }
    for close, first in conflicts:
        who = people.get(first.by) or first.by or f"technician {first.technician}"
        expected = (
            f"is closed already: {who} closed it on {in_shop_zone(first.closed_at, shop):%Y-%m-%d at %H:%M}. "
            "The owner sees both; add what is missing as further uses, or correct the first close"
        )
        yield close, Problem("job", close.job, expected)


def _standing_closes(names: _Names) -> dict[str, _Standing]:
    """Return the close of each job that is closed."""
    closed = {
        job.pk: reference
        for reference, job in names.jobs.items()
        if job.status == JobStatus.CLOSED and reference in names.closing
    }
    standing = {}
    for chunk in chunks(sorted(closed)):
        costs = JobCost.objects.filter(job__in=chunk, jobs=1, document__corrected_by__isnull=True)
        for cost in costs.select_related("document", "technician"):
            document = cost.document
            standing[closed[cost.job_id]] = _Standing(
                document.client_id,
                document.occurred_at,
                stored_text(document.content),
                document.recorded_by,
                cost.technician.code if cost.technician else "",
            )
    return standing


def _store_jobs(closes: list[JobClose], names: _Names) -> None:
    """Write the jobs of new closes: booked ones are closed, others are made."""
    new = [Job(reference=close.job) for close in closes if close.job not in names.jobs]
    bookings.keep(names.jobs[close.job] for close in closes if close.job in names.jobs)
    made = {job.reference: job for job in new}
    names.jobs |= made
    for close in closes:
        job = names.jobs[close.job]
        job.status = JobStatus.CLOSED
        for field, _, _ in NAMED:
            setattr(job, f"{field}_id", names.ids[field, getattr(close, field)])
        job.closed_at = close.closed_at
        job.price = close.price
        job.labour_minutes = close.labour_minutes
        job.travel_minutes = close.travel_minutes
        job.outcome = close.outcome
        for name in CLEARED.keys() - {"callback_of"}:
            if close.says(name):
                setattr(job, name, getattr(close, name))
    Job.objects.bulk_create(new, batch_size=BATCH)
    # Callbacks may name a job that this batch makes, so they are set once all have an id.
    for close in closes:
        if close.says("callback_of"):
            names.jobs[close.job].callback_of = names.jobs.get(close.callback_of)
    changed = [names.jobs[close.job] for close in closes if close.job not in made]
    led_to = {job.pk: job.original_id for job in changed}
    repeats = [names.jobs[close.job] for close in closes if names.jobs[close.job].callback_of_id]
    for job in (*changed, *repeats):
        job.original = rework.first_of_chain(job)
    fields = [field.name for field in Job._meta.concrete_fields if not field.primary_key]
    Job.objects.bulk_update(changed, fields, batch_size=100)
    made_repeats = [job for job in repeats if job.reference in made]
    Job.objects.bulk_update(made_repeats, ["callback_of", "original"], batch_size=BATCH)
    rework.lead_followers(job for job in changed if job.original_id != led_to[job.pk])
