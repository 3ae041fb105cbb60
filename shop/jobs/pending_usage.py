"""Uses whose job is not closed yet: kept, and posted once it is, so that files may come in any order."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice

from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from inventory.ledger import Refused
from inventory.models import Consumable
from shop.close_review.rules import Check
from shop.common.chunks import chunks
from shop.common.flagged import Flagged
from shop.common.progress import Bar, no_bar
from shop.jobs.close_data import UsedLine
from shop.jobs.usage_matching import (
    JobAndConsumable,
    Lines,
    closed_jobs,
    in_words,
    post_lines,
    posted_lines,
)
from shop.models import Finding, Job, JobStatus, WaitingUse

ROWS_AT_ONCE = 1000
# As many jobs are named in a sentence.
MOST_NAMED = 10


@dataclass(frozen=True, slots=True)
class PendingUsageResult:
    """The result for waiting uses: lines posted, lines that contradict the close, jobs not closed yet.

    `disagreeing` holds the lines that wait and those that are posted; `first_waiting` names the first of the
    `waiting` jobs, in the order of their references.
    """

    posted: int
    disagreeing: dict[JobAndConsumable, tuple[Lines, Lines]]
    waiting: int
    first_waiting: tuple[str, ...]


def keep_waiting(jobs: Iterable[tuple[str, Sequence[UsedLine]]], recorded_at: datetime) -> int:
    """Keep the lines of jobs that are not closed yet; return their number."""
    consumables = dict(Consumable.objects.values_list("code", "pk"))
    rows = _waiting_rows(jobs, consumables, recorded_at)
    kept = 0
    while part := list(islice(rows, ROWS_AT_ONCE)):
        kept += len(WaitingUse.objects.bulk_create(part))
    return kept


def _waiting_rows(
    jobs: Iterable[tuple[str, Sequence[UsedLine]]], consumables: dict[str, int], recorded_at: datetime
) -> Iterator[WaitingUse]:
    for job, lines in jobs:
        positions: Counter[str] = Counter()
        for line in lines:
            positions[line.consumable] += 1
            yield WaitingUse(
                job_reference=job,
                consumable_id=consumables[line.consumable],
                position=positions[line.consumable],
                quantity=line.quantity,
                minutes=line.minutes,
                recorded_at=recorded_at,
            )


def waiting_lines(references: Sequence[str]) -> dict[JobAndConsumable, Lines]:
    """Return the lines that wait for jobs, by job and consumable."""
    lines: dict[JobAndConsumable, Lines] = defaultdict(Counter)
    for job, line in _waiting(references):
        lines[job, line.consumable][line.quantity, line.minutes] += 1
    return lines


def _waiting(references: Sequence[str]) -> Iterator[tuple[str, UsedLine]]:
    """Yield the lines that wait for jobs, in the order they came."""
    rows = WaitingUse.objects.filter(job_reference__in=references).order_by("pk")
    for job, consumable, quantity, minutes in rows.values_list(
        "job_reference", "consumable__code", "quantity", "minutes"
    ):
        yield job, UsedLine(consumable, quantity, minutes)


def post_waiting(
    by: str, now: datetime, flagged: Flagged, bar: Bar = no_bar, *, jobs: Collection[str] | None = None
) -> PendingUsageResult:
    """Post the uses whose job has been closed since they came: of all jobs, or of those named.

    What the job has logged of the same consumable already is not posted again: the same is dropped, other
    lines stay aside for a person to see.
    """
    closed = Job.objects.filter(reference=OuterRef("job_reference"), status=JobStatus.CLOSED)
    ready = WaitingUse.objects.annotate(is_closed=Exists(closed))
    if jobs is not None:
        ready = ready.filter(job_reference__in=jobs)
    lines: dict[str, list[UsedLine]] = defaultdict(list)
    closed_at: dict[str, datetime] = {}
    disagreeing: dict[JobAndConsumable, tuple[Lines, Lines]] = {}
    for chunk in chunks(list(_jobs(ready.filter(is_closed=True)))):
        closed_at |= closed_jobs(chunk)
        posted = posted_lines(chunk)
        disagreeing |= {
            key: (waiting, posted[key])
            for key, waiting in waiting_lines(chunk).items()
            if key in posted and posted[key] != waiting
        }
        for job, line in _waiting(chunk):
            if (job, line.consumable) not in posted:
                lines[job].append(line)
        _forget(chunk, disagreeing)
    not_closed = _jobs(ready.filter(is_closed=False))
    return PendingUsageResult(
        post_lines(lines, closed_at, by=by, now=now, flagged=flagged, bar=bar),
        disagreeing,
        not_closed.count(),
        tuple(not_closed[:MOST_NAMED]),
    )


def add_at_close(jobs: dict[int, Job], by: str, now: datetime) -> tuple[list[Finding], bool]:
    """Add what waited for jobs that close now, by document; return what to ask, and whether any was posted.

    They never stand in the way of the close: what contradicts it, or cannot be posted, stays aside.
    """
    document_of = {job.reference: (document, job) for document, job in jobs.items()}
    if not WaitingUse.objects.filter(job_reference__in=document_of).exists():
        return [], False

    def asked(reference: str, check: Check, consumable: str, message: str) -> Finding:
        document, job = document_of[reference]
        return Finding(job=job, document_id=document, code=check, consumable=consumable, message=message)

    try:
        with transaction.atomic():
            result = post_waiting(by, now, Flagged(), jobs=list(document_of))
    except Refused as refused:
        message = f"What a file says this job used could not be added: {refused}. It is kept for the owner."
        return [asked(reference, Check.FILE_NOT_ADDED, "", message) for reference in document_of], False
    return [
        asked(
            reference,
            Check.FILE_DIFFERS,
            consumable,
            f"{consumable}: a file says {in_words(waiting)}; {in_words(posted)} was logged. "
            "Which is right? If the file, correct the close; if not, the owner deletes what the file said.",
        )
        for (reference, consumable), (waiting, posted) in result.disagreeing.items()
    ], bool(result.posted)


def _forget(references: Sequence[str], but: Collection[JobAndConsumable]) -> None:
    """Delete what waited for jobs, except some lines."""
    rows = WaitingUse.objects.filter(job_reference__in=references)
    done = [
        pk
        for pk, job, consumable in rows.values_list("pk", "job_reference", "consumable__code")
        if (job, consumable) not in but
    ]
    for chunk in chunks(done):
        WaitingUse.objects.filter(pk__in=chunk).delete()


def _jobs(rows: QuerySet[WaitingUse]) -> QuerySet[WaitingUse, str]:
    return rows.order_by("job_reference").values_list("job_reference", flat=True).distinct()
