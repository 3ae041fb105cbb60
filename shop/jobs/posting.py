"""What every posting of a job's lines shares: locked jobs, lines, rows and costs, what is refused."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import TypeVar

from inventory import ledger
from inventory.db import analyze
from inventory.documents import LONGEST_CODE, Problem, StockLine, text_problem
from inventory.ledger import Conflict, Posting
from inventory.models import Consumable, MovementValue
from shop.common.chunks import chunks
from shop.costing import job_costs
from shop.jobs.close_data import UsedLine
from shop.models import Job, JobCost, JobUse

T = TypeVar("T")
BATCH = 1000


def keeping_conflicts(work: Callable[[], T], by: str, now: datetime) -> T:
    """Run `work` in a transaction, and keep a document that it refuses for what its id said before."""
    try:
        return ledger.once_more_if_raced(work)
    except Conflict as conflict:
        ledger.keep_refused(conflict, by=by, now=now)
        raise


def locked_jobs(references: Iterable[str]) -> dict[str, Job]:
    """Return the jobs of these references, locked in the order of their ids; unknown ones are left out."""
    jobs: dict[str, Job] = {}
    # A reference that no job can have need not be looked up; some databases fail on a control character.
    valid = sorted(reference for reference in references if not text_problem(reference, LONGEST_CODE))
    for chunk in chunks(valid):
        found = Job.objects.select_for_update(of=("self",)).filter(reference__in=chunk).order_by("pk")
        jobs |= {job.reference: job for job in found.select_related("van__place")}
    return jobs


def line_problems(lines: Sequence[UsedLine], consumables: dict[str, Consumable]) -> Iterator[Problem]:
    """Yield what does not fit the catalogue; asked here, as the ledger sees no line without a quantity."""
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
