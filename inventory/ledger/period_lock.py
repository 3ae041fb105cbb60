"""Locked periods: what is locked never changes; a late document posts at the first open moment."""

from datetime import datetime

from django.db import connection, transaction

from inventory.models import PeriodChange

# Any constant will do: postings hold this PostgreSQL advisory lock shared, a change of the lock alone.
ADVISORY_LOCK = 7_303_014


def open_from(*, for_posting: bool = False) -> datetime | None:
    """Return the first open moment, or None when nothing is locked.

    With `for_posting`, inside a transaction, no one can change it before this transaction ends.
    """
    if for_posting and connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock_shared(%s)", [ADVISORY_LOCK])
    latest = PeriodChange.objects.last()
    return latest.locked_until if latest else None


def posting_moment(occurred_at: datetime, first_open: datetime | None) -> datetime:
    """Return when something counts: when it happened, or the first open moment when that is locked."""
    return occurred_at if first_open is None else max(occurred_at, first_open)


def hold_postings() -> None:
    """Let no one post until this transaction ends; on SQLite a transaction does so anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [ADVISORY_LOCK])


@transaction.atomic
def change_lock(locked_until: datetime | None, *, reason: str, by: str, now: datetime) -> PeriodChange:
    """Lock the books up to a moment, or reopen them down to an earlier one (None: all).

    Raises ValueError without a reason, or when the moment lies in the future.
    """
    if not reason.strip():
        raise ValueError("give the reason for locking or reopening the books")
    if locked_until is not None and locked_until > now:
        raise ValueError(f"{locked_until:%Y-%m-%d %H:%M} is in the future; lock a period that has ended")
    hold_postings()
    return PeriodChange.objects.create(
        locked_until=locked_until, reason=reason.strip(), changed_by=by, changed_at=now
    )
