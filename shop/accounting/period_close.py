"""Locking the books through a day, and reopening them from a day on, as a command or a page asks for it."""

from datetime import UTC, date, datetime, timedelta, tzinfo

from inventory.documents import YEARS, free_text_problem
from inventory.ledger.period_lock import change_lock, open_from
from inventory.models import PeriodChange
from shop.models import start_of_day

LONGEST_REASON = 500


class LockError(ValueError):
    """The books cannot be locked or reopened like this; gives the reason."""


def check_locking(day: date, reason: str, now: datetime) -> datetime:
    """Return the moment up to which the books would be locked. Raises LockError as lock_through does."""
    locked_until = open_from()
    until = start_of_day(_in_range(day) + timedelta(days=1))
    if locked_until is not None and until < locked_until:
        raise LockError(f"the books are locked beyond {day} already; reopen what follows it to unlock it")
    if until > now:
        raise LockError(f"{day} has not ended yet; lock days that are over")
    _check_length(reason)
    return until


def lock_through(day: date, reason: str, *, by: str, now: datetime) -> PeriodChange | None:
    """Lock the books through the end of a day; return the change, None when they are locked so already.

    Without a reason it is "closed through" that day. Raises LockError for a day that has not ended, is
    earlier than what is locked, or is outside the years of the books.
    """
    until = check_locking(day, reason, now)
    if open_from() == until:
        return None
    return _change(until, reason.strip() or f"closed through {day}", by, now)


def check_reopening(first: date, reason: str) -> datetime:
    """Return the moment from which the books would be open. Raises LockError as reopen_from does."""
    until = start_of_day(_in_range(first))
    if not reason.strip():
        raise LockError("give the reason for reopening; it is kept with the change")
    locked_until = open_from()
    if locked_until is None or locked_until <= until:
        raise LockError(f"the books are open from {first} on already; nothing to reopen")
    _check_length(reason)
    return until


def reopen_from(first: date, reason: str, *, by: str, now: datetime) -> PeriodChange:
    """Reopen the books from a day on; return the change.

    Raises LockError without a reason, or when they are open from that day on already.
    """
    return _change(check_reopening(first, reason), reason, by, now)


def locked_text(locked_until: datetime | None, zone: tzinfo) -> str:
    """Return how far the books are locked as text, by the shop's clocks."""
    if locked_until is None:
        return "nothing is locked"
    local = locked_until.astimezone(zone)
    start = local.replace(hour=0, minute=0, second=0, microsecond=0)
    if start.astimezone(UTC) == locked_until:
        return f"locked through {local.date() - timedelta(days=1)}"
    return f"locked up to {local.isoformat()}"


def _change(until: datetime, reason: str, by: str, now: datetime) -> PeriodChange:
    return change_lock(until.astimezone(UTC), reason=reason, by=by, now=now)


def _check_length(reason: str) -> None:
    if len(reason) > LONGEST_REASON:
        raise LockError(f"the reason is longer than {LONGEST_REASON} characters")
    if found := free_text_problem(reason):
        raise LockError(f"the reason {found}")


def _in_range(day: date) -> date:
    if day.year not in YEARS:
        raise LockError(f"{day} is outside the years {YEARS.start} to {YEARS.stop - 1}")
    return day
