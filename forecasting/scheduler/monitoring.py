"""Faults of periodic work: failed pieces, pieces that no process does, and inconsistent books."""

from datetime import datetime, timedelta

from django.db.models import Max, Q

from forecasting import leases
from forecasting.models import PeriodWork
from forecasting.schedule import WorkKind
from forecasting.scheduler.handlers import Piece
from forecasting.scheduler.runner import ready

# Workers look every minute or run by cron; an hour without any while work is due is a fault.
PATIENCE = timedelta(hours=1)


def newest_periods() -> dict[str, str]:
    """Return the latest period of each kind of work that was begun."""
    return dict(PeriodWork.objects.order_by().values_list("kind").annotate(newest=Max("period")))


def is_given_up(work: PeriodWork, newest: dict[str, str]) -> bool:
    """Return whether a later period of the same kind took the place of undone work."""
    return work.period.split(" ")[0] < newest[work.kind].split(" ")[0]


def is_at_work(work: PeriodWork, now: datetime) -> bool:
    """Return whether somebody does a piece right now."""
    return bool(work.token) and work.alive_at is not None and work.alive_at >= leases.stale_since(now)


def failed(now: datetime) -> list[PeriodWork]:
    """Return the pieces of the latest periods whose last attempt failed. Two queries."""
    newest = newest_periods()
    undone = PeriodWork.objects.filter(done_at=None).exclude(error="")
    return [work for work in undone if not is_at_work(work, now) and not is_given_up(work, newest)]


def overdue(now: datetime) -> list[Piece]:
    """Return what has been due for longer than PATIENCE while nobody did any periodic work at all.

    Empty where none was ever done: a shop may work without it. `failed` reports what failed. New data that
    waits is no trouble: there are drafts, only not the newest.
    """
    recent = now - PATIENCE
    active = Q(claimed_at__gte=recent) | Q(alive_at__gte=recent) | Q(done_at__gte=recent)
    last = PeriodWork.objects.aggregate(any=Max("claimed_at"))["any"]
    if last is None or PeriodWork.objects.filter(active).exists():
        return []
    broken = {(work.kind, work.period) for work in failed(now)}
    waiting = (piece for piece in ready(recent) if piece.kind != WorkKind.RENEWAL)
    return [piece for piece in waiting if (piece.kind, piece.period) not in broken]


def last_check() -> PeriodWork | None:
    """Return the last finished check of the books."""
    return PeriodWork.objects.filter(kind=WorkKind.CHECK, done_at__isnull=False).first()


def disagreements_of_last_check() -> int:
    """Return in how many places the last check found the books inconsistent."""
    check = last_check()
    return check.result.get("disagreements", 0) if check else 0
