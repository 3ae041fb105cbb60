"""Uses that waited for the jobs of an import: posted with it, and told to the person who imports."""

from collections.abc import Iterator, Sequence

from shop.common.text import counted
from shop.imports.context import Context, ImportSummary
from shop.jobs.pending_usage import MOST_NAMED, PendingUsageResult, post_waiting


def post_pending(context: Context, summary: ImportSummary) -> list[str]:
    """Post the uses whose job is closed by now; return what became of those that waited, in words.

    The summary takes in what a person should see of them.
    """
    return list(_notes(post_waiting(context.by, context.now, summary.flagged, context.bar)))


def _notes(result: PendingUsageResult) -> Iterator[str]:
    if result.posted:
        were = "was" if result.posted == 1 else "were"
        yield f"{counted(result.posted, 'use')} that waited for a job {were} posted"
    if result.disagreeing:
        jobs = sorted({job for job, _ in result.disagreeing})
        yield (
            f"waiting uses of {_named(len(jobs), jobs)} differ from what was logged at the close; "
            "they stay aside: compare them in the admin and delete them, or correct the close"
        )
    if result.waiting:
        jobs_named = _named(result.waiting, result.first_waiting)
        yield f"uses are waiting for {jobs_named}; import the jobs to post them"


def _named(number: int, jobs: Sequence[str]) -> str:
    """Return how many jobs there are, and the first of them."""
    more = f" and {number - MOST_NAMED} more" if number > MOST_NAMED else ""
    return f"{counted(number, 'job')}: {', '.join(jobs[:MOST_NAMED])}{more}"
