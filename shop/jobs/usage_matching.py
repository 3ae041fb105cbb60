"""What jobs used, compared with what was posted to them, and posted as further uses."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from itertools import islice

from inventory.documents import DocumentKind
from inventory.models import Document
from shop.common.chunks import chunks
from shop.common.flagged import Flagged
from shop.common.progress import Bar, no_bar
from shop.common.text import exact
from shop.jobs.additional_usage import add_uses_many
from shop.jobs.close_data import JobUses, UsedLine
from shop.models import Job, JobStatus, JobUse

# Jobs posted together: enough to be quick, few enough to hold their lines in memory.
JOBS_AT_ONCE = 10_000

JobAndConsumable = tuple[str, str]
Lines = Counter[tuple[Decimal, Decimal]]  # quantity and minutes of each line


def closed_jobs(references: Sequence[str]) -> dict[str, datetime]:
    """Return when jobs were closed; those not closed are left out."""
    jobs = Job.objects.filter(reference__in=references, status=JobStatus.CLOSED, closed_at__isnull=False)
    return {
        reference: closed_at
        for reference, closed_at in jobs.values_list("reference", "closed_at")
        if closed_at
    }


def posted_lines(references: Sequence[str]) -> dict[JobAndConsumable, Lines]:
    """Return the lines that stand posted to jobs, by job and consumable."""
    rows = JobUse.objects.filter(job__reference__in=references, document__corrected_by__isnull=True)
    lines: dict[JobAndConsumable, Lines] = defaultdict(Counter)
    for job, consumable, quantity, minutes in rows.values_list(
        "job__reference", "consumable__code", "quantity", "minutes"
    ).order_by():
        lines[job, consumable][quantity, minutes] += 1
    return lines


def post_lines(
    lines: Mapping[str, Iterable[UsedLine]],
    closed: Mapping[str, datetime],
    *,
    by: str,
    now: datetime,
    flagged: Flagged,
    bar: Bar = no_bar,
) -> int:
    """Post further uses of closed jobs, those closed first first; return the number of lines.

    A document posts at its job's close: going forward in time spares the ledger valuing the same again.
    """
    jobs = sorted(lines, key=lambda job: (closed[job], job))
    in_order = ((job, list(lines[job])) for job in jobs)
    return post_in_order(in_order, len(jobs), by=by, now=now, flagged=flagged, bar=bar)


def post_in_order(
    jobs: Iterator[tuple[str, Sequence[UsedLine]]],
    number: int,
    *,
    by: str,
    now: datetime,
    flagged: Flagged,
    bar: Bar = no_bar,
) -> int:
    """Post further uses of a number of closed jobs, which come in the order they were closed in.

    Returns the number of lines. Few jobs are held at once.
    """
    posted = 0
    with bar("posting uses", number) as progress:
        while part := list(islice(jobs, JOBS_AT_ONCE)):
            ids = _document_ids([job for job, _ in part])
            batch = [JobUses(ids[job], job, tuple(lines)) for job, lines in part]
            postings = add_uses_many(batch, by=by, now=now, progress=progress)
            posted += sum(len(uses.lines) for uses in batch)
            for (job, _), posting in zip(part, postings, strict=True):
                flagged.add(job, posting.flags)
    return posted


def in_words(lines: Lines) -> str:
    """Return the quantity and minutes of lines as text."""
    return " and ".join(
        f"{exact(quantity)} with {exact(minutes)} minute{'' if minutes == 1 else 's'}"
        for quantity, minutes in lines.elements()
    )


def _document_ids(jobs: Sequence[str]) -> dict[str, str]:
    """Return a free id for the next document of each job: its reference, then reference#2, and so on."""
    ids = {job: job for job in jobs}
    number = 1
    while taken := _taken(ids.values()):
        number += 1
        ids |= {job: f"{job}#{number}" for job in jobs if ids[job] in taken}
    return ids


def _taken(ids: Collection[str]) -> set[str]:
    """Return the ids that are posted, or claimed twice among `ids`: J#2 may be a job's own reference."""
    uses = Document.objects.filter(kind=DocumentKind.USE)
    claims = Counter(ids)
    return {client_id for client_id, claimed in claims.items() if claimed > 1} | {
        client_id
        for chunk in chunks(sorted(claims))
        for client_id in uses.filter(client_id__in=chunk).values_list("client_id", flat=True)
    }
