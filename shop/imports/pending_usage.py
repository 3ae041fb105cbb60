"""Uses that waited for the jobs of an import: posted with it, and told to the person who imports."""

from collections.abc import Iterator, Sequence

from shop.common.text import counted
from shop.imports.context import Context, ImportSummary
from shop.jobs.pending_usage import PendingUsageResult, post_waiting

MOST_NAMED = 10


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
            f"waiting uses of {_named(jobs)} differ from what was logged at the close; "
            "they stay aside: compare them in the admin and delete them, or correct the close"
        )
    if result.waiting:
        yield f"uses are waiting for {_named(result.waiting)}; import the jobs to post them"


def _named(jobs: Sequence[str]) -> str:
    more = f" and {len(jobs) - MOST_NAMED} more" if len(jobs) > MOST_NAMED else ""
    return f"{counted(len(jobs), 'job')}: {', '.join(jobs[:MOST_NAMED])}{more}"
