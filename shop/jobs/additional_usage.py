"""Further consumables of closed jobs: `add_uses_many`; and what every posting of a job's lines shares."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import TypeVar

from django.utils import timezone

from inventory import documents, ledger
from inventory.db import analyze
from inventory.documents import LONGEST_ID, DocumentKind, Problem, StockLine, text_problem
from inventory.ledger import Conflict, Posting, Refused
from inventory.ledger.code_lookup import Catalogue
from inventory.models import Consumable, Document, MovementValue
from shop.close_review import raise_questions
from shop.common.chunks import chunks
from shop.costing import job_costs
from shop.jobs.close_data import LONGEST_CODE, JobUses, UsedLine, uses_content, uses_problems
from shop.models import Finding, Job, JobCost, JobUse

T = TypeVar("T")
BATCH = 1000
Progress = Callable[[int], object]


def add_uses_many(
    uses: Iterable[JobUses], *, by: str = "", now: datetime | None = None, progress: Progress = lambda _: None
) -> list[Posting]:
    """Post further consumables of closed jobs, all or none. Raises Refused with every problem."""
    batch = list(uses)
    now = now or timezone.now()
    return keeping_conflicts(lambda: _add_all_uses(batch, by, now, progress), by, now)


def _add_all_uses(batch: list[JobUses], by: str, now: datetime, progress: Progress) -> list[Posting]:
    jobs = locked_jobs({uses.job for uses in batch})
    catalogue = Catalogue()
    catalogue.read_consumables(line.consumable for uses in batch for line in uses.lines)
    posted = _posted_uses(batch)
    problems: list[tuple[JobUses, Problem]] = []
    for uses in batch:
        job = jobs.get(uses.job)
        if job is None:
            problems.append((uses, Problem("job", uses.job, "is not a known job")))
        elif job.closed_at is None and uses.id not in posted:
            problems.append((uses, Problem("job", uses.job, f"is {job.status}, not closed; close it first")))
        problems += [(uses, problem) for problem in uses_problems(uses)]
        problems += [(uses, problem) for problem in line_problems(uses.lines, catalogue.consumables)]
    if problems:
        raise Refused(problems)
    to_post = []
    for uses in batch:
        # A retry says what the first one said, even where its job was closed again meanwhile.
        occurred_at, place = posted.get(uses.id) or (jobs[uses.job].closed_at or now, jobs[uses.job].van.code)
        to_post.append(
            documents.Use(uses.id, occurred_at, place, stock_lines(uses.lines), uses_content(uses))
        )
    postings = ledger.post_within(to_post, catalogue, by=by, now=now, progress=progress)
    new = [(uses, posting) for uses, posting in zip(batch, postings, strict=True) if posting.created]
    of_documents = {posting.document_id: jobs[uses.job] for uses, posting in new}
    write_lines([(uses.lines, posting) for uses, posting in new], of_documents, catalogue.consumables)
    found = raise_questions.of_documents(of_documents, None, now, alone=len(batch) == 1)
    Finding.objects.bulk_create(found, batch_size=BATCH)
    return postings


def _posted_uses(batch: list[JobUses]) -> dict[str, tuple[datetime, str]]:
    """Return when and where uses posted earlier happened, by id."""
    posted = {}
    sound = {uses.id for uses in batch if not text_problem(uses.id, LONGEST_ID)}
    for chunk in chunks(sorted(sound)):
        for document in Document.objects.filter(kind=DocumentKind.USE, client_id__in=chunk):
            posted[document.client_id] = document.occurred_at, document.content["place"]
    return posted


def keeping_conflicts(work: Callable[[], T], by: str, now: datetime) -> T:
    """Run `work` in a transaction, and store a document that it refuses because of its id."""
    try:
        return ledger.once_more_if_raced(work)
    except Conflict as conflict:
        ledger.keep_refused(conflict, by=by, now=now)
        raise


def locked_jobs(references: Iterable[str]) -> dict[str, Job]:
    """Return the jobs of these references, locked in the order of their ids; unknown ones are left out."""
    jobs: dict[str, Job] = {}
    # A reference that no job can have need not be looked up; some databases fail on a control character.
    sound = sorted(reference for reference in references if not text_problem(reference, LONGEST_CODE))
    for chunk in chunks(sound):
        found = Job.objects.select_for_update(of=("self",)).filter(reference__in=chunk).order_by("pk")
        jobs |= {job.reference: job for job in found.select_related("van__place")}
    return jobs


def line_problems(lines: Sequence[UsedLine], consumables: dict[str, Consumable]) -> Iterator[Problem]:
    """Yield what does not fit the catalogue; checked here, as the ledger sees no line without a quantity."""
    for number, line in enumerate(lines, 1):
        consumable = consumables.get(line.consumable)
        if consumable is None:
            yield Problem("consumable", line.consumable, "is not a known consumable", number)
        elif expected := consumable.whole_problem(line.quantity):
            yield Problem("quantity", line.quantity, expected, number)


def stock_lines(uses: Sequence[UsedLine]) -> tuple[StockLine, ...]:
    """Return the lines that move stock: those with a quantity."""
    return tuple(StockLine(use.consumable, use.quantity) for use in uses if use.quantity)


def write_lines(
    posted: Iterable[tuple[Sequence[UsedLine], Posting]],
    jobs: dict[int, Job],
    consumables: dict[str, Consumable],
) -> list[JobUse]:
    """Write the logged uses and costs of new documents; `jobs` holds the job of each document's id."""
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
    analyze.after_writing(len(rows) + len(jobs), Job, JobUse, MovementValue)
    job_costs.add(jobs)
    analyze.after_writing(len(jobs), JobCost)
    return rows
