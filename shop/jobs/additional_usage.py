"""Further consumables of closed jobs: `add_uses_many`."""

from collections.abc import Iterable
from datetime import datetime

from django.utils import timezone

from inventory import documents, ledger
from inventory.documents import LONGEST_ID, DocumentKind, Problem, text_problem
from inventory.ledger import Posting, Refused
from inventory.ledger.code_lookup import Catalogue
from inventory.models import Document
from shop.close_review import raise_questions
from shop.common.chunks import chunks
from shop.common.progress import Progress
from shop.jobs.close_data import JobUses, uses_content, uses_problems
from shop.jobs.posting import (
    BATCH,
    keeping_conflicts,
    line_problems,
    locked_jobs,
    stock_lines,
    write_lines,
)
from shop.models import Finding


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
    valid = {uses.id for uses in batch if not text_problem(uses.id, LONGEST_ID)}
    for chunk in chunks(sorted(valid)):
        for document in Document.objects.filter(kind=DocumentKind.USE, client_id__in=chunk):
            posted[document.client_id] = document.occurred_at, document.content["place"]
    return posted
