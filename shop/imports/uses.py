"""What jobs used, one row for each consumable; the jobs themselves come in a file of their own."""

from collections import Counter, defaultdict
from datetime import datetime
from decimal import Decimal
from functools import partial

from inventory.documents import LARGEST_USE, quantity_problem
from shop.common.text import counted
from shop.imports.context import Context, ImportSummary
from shop.imports.csv_reader import Fault, Record
from shop.imports.pending_usage import post_pending
from shop.imports.use_rows import UseRow, UseRows
from shop.jobs.close_data import minutes_problem
from shop.jobs.pending_usage import keep_waiting, waiting_lines
from shop.jobs.usage_matching import Lines, closed_jobs, in_words, post_in_order, posted_lines

used_problem = partial(quantity_problem, largest=LARGEST_USE)
used_or_nothing_problem = partial(quantity_problem, largest=LARGEST_USE, zero=True)


class Uses:
    """Rows are gathered by job; lines of a consumable that the job has already are compared, not added."""

    columns = ("job", "consumable", "quantity", "minutes")

    def __init__(self, context: Context) -> None:
        self.context = context
        self.rows = UseRows()
        self.summary = ImportSummary("uses")

    def read(self, record: Record) -> None:
        """Take in what a job used of one consumable; the quantity may be zero when there are minutes."""
        codes = self.context.codes
        job = record.text("job")
        minutes = record.optional_number("minutes", minutes_problem) or Decimal(0)
        quantity = record.number("quantity", used_or_nothing_problem if minutes else used_problem)
        consumable = codes.consumable(record)
        codes.check_whole(record, consumable, quantity)
        if record.valid:
            self.rows.add(job, UseRow(record.line, consumable, quantity, minutes))

    def check(self) -> None:
        """Tell new rows from those already posted or waiting; note those that contradict them."""
        # What waited for a job that has been closed since is posted first, to be compared with as posted.
        self.summary.notes = post_pending(self.context, self.summary)
        with self.context.bar("comparing uses", self.rows.count_jobs()) as progress:
            for jobs in self.rows.jobs():
                self._compare(jobs)
                progress(len(jobs))

    def _compare(self, jobs: dict[str, list[UseRow]]) -> None:
        references = list(jobs)
        closed = closed_jobs(references)
        posted = posted_lines(references)
        waiting = waiting_lines(references)
        for job, rows in jobs.items():
            if job in closed:
                self._sort_out(job, rows, posted, "posted", closed[job])
            elif self.context.create_missing:
                self._sort_out(job, rows, waiting, "kept waiting", None)
            else:
                self._note_unknown(job, rows)

    def _sort_out(
        self,
        job: str,
        of_job: list[UseRow],
        known: dict[tuple[str, str], Lines],
        how: str,
        closed_at: datetime | None,
    ) -> None:
        by_consumable: dict[str, list[UseRow]] = defaultdict(list)
        for row in of_job:
            by_consumable[row.consumable].append(row)
        for consumable, rows in by_consumable.items():
            before = known.get((job, consumable))
            if before is None:
                self.rows.add_new(job, rows, closed_at)
            elif before == Counter(row.content() for row in rows):
                self.summary.already += len(rows)
            else:
                self._note_other(job, rows, before, how)

    def _note_other(self, job: str, rows: list[UseRow], before: Lines, how: str) -> None:
        """Note the rows of a consumable that were not there before or, if all were, that some are missing."""
        left = Counter(before)
        others = []
        for row in rows:
            if left[row.content()]:
                left[row.content()] -= 1
            else:
                others.append(row)
        for row in others or rows[:1]:
            if not others:
                differs = "is not all that"
            elif row.content() in before:
                differs = "is here more often than it"
            else:
                differs = "differs from what"
            message = (
                f"{differs} was {how} for job {job} before: {in_words(before)} of {row.consumable}; "
                "undo that with a correction first"
            )
            self.context.faults.add(Fault(row.line, "quantity", in_words(Counter([row.content()])), message))

    def _note_unknown(self, job: str, rows: list[UseRow]) -> None:
        message = "is not a closed job; import the jobs first, or let its uses wait with --create-missing"
        self.context.faults.extend(Fault(row.line, "job", job, message) for row in rows)

    def write(self) -> ImportSummary:
        """Post what is new, and keep what has to wait."""
        summary = self.summary
        context = self.context
        posted = post_in_order(
            self.rows.to_post(),
            self.rows.count_new_jobs(),
            by=context.by,
            now=context.now,
            flagged=summary.flagged,
            bar=context.bar,
        )
        kept = keep_waiting(self.rows.to_keep(), context.now)
        summary.new = posted + kept
        if kept:
            were = "was" if kept == 1 else "were"
            summary.notes = [f"{counted(kept, 'use')} {were} kept waiting", *post_pending(context, summary)]
        return summary
