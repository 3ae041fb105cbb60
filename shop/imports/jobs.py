"""Closed jobs, one row each; what they used comes in a file of its own."""

from functools import partial

from inventory.documents import DocumentKind, money_problem, quantity_problem
from inventory.ledger import Conflict, Refused
from inventory.models import Document
from shop.common.chunks import chunks
from shop.common.job_content import stored_job_content
from shop.common.text import counted, shortened
from shop.imports.context import Context, ImportSummary
from shop.imports.csv_reader import Fault, Record
from shop.imports.differences import differences
from shop.imports.pending_usage import post_pending
from shop.jobs.close_data import LONGEST_LENGTH_MM, JobClose, close_values, minutes_problem
from shop.jobs.close_job import close_many
from shop.models import Job

length_problem = partial(quantity_problem, largest=LONGEST_LENGTH_MM, zero=True)
_REMEDY = "undo the posted one with a correction and close the job under a reference of its own"


class Jobs:
    """The close of a job has the job's reference as its id."""

    columns = (
        *("job", "van", "technician", "closed_at", "job_type", "damage_type", "glass", "length_mm"),
        *("price", "labour_minutes", "travel_minutes", "outcome", "callback_of"),
    )

    def __init__(self, context: Context) -> None:
        self.context = context
        self.closes: dict[str, JobClose] = {}
        self.lines: dict[str, int] = {}

    def read(self, record: Record) -> None:
        """Take in one job."""
        codes = self.context.codes
        reference = record.text("job")
        close = JobClose(
            id=reference,
            job=reference,
            van=codes.van(record),
            technician=codes.technician(record),
            closed_at=record.moment("closed_at"),
            job_type=codes.job_type(record),
            damage_type=codes.damage_type(record),
            glass=codes.glass(record),
            length_mm=record.optional_number("length_mm", length_problem),
            price=record.number("price", money_problem),
            labour_minutes=record.number("labour_minutes", minutes_problem),
            travel_minutes=record.number("travel_minutes", minutes_problem),
            outcome=codes.outcome(record),
            callback_of=record.text("callback_of", optional=True),
        )
        if reference and close.callback_of == reference:
            record.fault("callback_of", "is the job itself; name the job it repeats")
        # Kept even when the row is faulty: other rows may name it.
        first = self.lines.setdefault(reference, record.line) if reference else record.line
        if first != record.line:
            record.fault("job", f"is in line {first} already")
        if record.valid:
            self.closes[reference] = close

    def check(self) -> None:
        """Note callbacks of jobs that nobody knows."""
        named = {close.callback_of for close in self.closes.values()} - {""} - self.lines.keys()
        for chunk in chunks(sorted(named)):
            named -= set(Job.objects.filter(reference__in=chunk).values_list("reference", flat=True))
        for close in self.closes.values():
            if close.callback_of in named:
                message = "is not a known job, nor in this file; import the file with that job first"
                self._fault(close.job, "callback_of", close.callback_of, message)

    def write(self) -> ImportSummary:
        """Close the jobs, in the order they were closed in, and post the uses that waited for them."""
        summary = ImportSummary("jobs")
        batch = sorted(self.closes.values(), key=lambda close: close.closed_at)
        try:
            with self.context.bar("closing jobs", len(batch)) as progress:
                closed = close_many(batch, by=self.context.by, now=self.context.now, progress=progress)
        except Refused as refused:
            self._note(refused)
            return summary
        summary.new = sum(job.posting.created for job in closed)
        summary.already = len(closed) - summary.new
        if asked := sum(len(job.findings) for job in closed if job.posting.created):
            summary.notes = [f"{counted(asked, 'question')} about these jobs to answer on the questions page"]
        for job in closed:
            if job.posting.created:
                summary.flagged.add(job.job, job.posting.flags)
        summary.notes += post_pending(self.context, summary)
        return summary

    def _fault(self, job: str, column: str, value: str, expected: str) -> None:
        self.context.faults.add(Fault(self.lines[job], column, value, expected))

    def _note(self, refused: Refused) -> None:
        """Note what was refused by the lines of the file; a conflict by the cells that differ."""
        for document, problem in refused.problems:
            close = document if isinstance(document, JobClose) else self.closes[document.id]
            if not isinstance(refused, Conflict):
                column = "job" if problem.field == "id" else problem.field
                self._fault(close.job, column, str(problem.value), problem.expected)
                continue
            given = close_values(close)
            for difference in differences(given, self._posted(close)):
                if difference.field in self.columns:
                    posted = shortened(difference.posted) or "(empty)"
                    message = f"was posted as {posted} with job {close.job}; {_REMEDY}"
                    self._fault(close.job, difference.field, difference.given, message)
                else:
                    message = f"was closed with other {difference.field}; {_REMEDY}"
                    self._fault(close.job, "job", close.job, message)

    @staticmethod
    def _posted(close: JobClose) -> dict[str, object]:
        """Return what was said when the job was closed before."""
        documents = Document.objects.filter(kind=DocumentKind.CLOSE)
        posted = documents.filter(client_id=close.id).first() or documents.get(
            job_cost__job__reference=close.job, corrected_by__isnull=True
        )
        return stored_job_content(posted.content)
