"""Finds the work that is ready and does it, for a command, a server's loop and any number of workers.

What is ready is found in the database each time, never remembered: so work that was left undone, for
whatever reason, is found by the next process that looks.
"""

import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import BooleanField, ExpressionWrapper, Max, Q
from django.utils import timezone

from forecasting import leases, schedule
from forecasting.draft_requirements import CannotDraftError
from forecasting.models import PeriodWork, Restock, RestockStatus, timetable
from forecasting.schedule import WorkKind
from forecasting.scheduler import renewal
from forecasting.scheduler.handlers import Piece, begun

FORECASTING = (WorkKind.FORECAST, WorkKind.FORECAST_PART, WorkKind.FORECAST_END)

logger = logging.getLogger(__name__)


class Ending(StrEnum):
    """The outcome of an attempt."""

    DONE = "done"
    FAILED = "failed"
    LEFT = "left to another"


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt at a piece of work, and its message."""

    piece: Piece
    ending: Ending
    said: str
    disagreements: int = 0

    @property
    def went_wrong(self) -> bool:
        """Whether someone should look: it failed, or the check of the books found something."""
        return self.ending == Ending.FAILED or self.disagreements > 0


def do_all(now: datetime) -> Iterator[Attempt]:
    """Do one piece after the other until nothing is ready, and yield each attempt.

    What fails waits for its pause and is not tried again here.
    """
    while pieces := ready(now):
        attempts = [attempt for piece in pieces if (attempt := do(piece, now))]
        yield from attempts
        if not attempts:
            return


def do(piece: Piece, now: datetime) -> Attempt | None:
    """Do a piece as of `now`; None when it is done, or another is at it. Safe to call twice and at once."""
    claim = leases.take(piece.kind, piece.period)
    if claim is None:
        return None
    try:
        with leases.kept_alive(claim.alive):
            write = begun(piece, now)
            with transaction.atomic():
                result = write()
                claim.done(result)
    except leases.ClaimLost:
        return Attempt(piece, Ending.LEFT, "another took it over")
    except Exception as error:
        # Any error is stored for people to see, and must not stop other work. Where the
        # shop's settings are the reason, a traceback says nothing more.
        if not isinstance(error, CannotDraftError | ValidationError):
            logger.exception("%s %s failed", piece.kind, piece.period)
        said = _words(error)
        claim.failed(said)
        return Attempt(piece, Ending.FAILED, said)
    except BaseException:
        claim.released()
        raise
    return Attempt(piece, Ending.DONE, result["said"], result.get("disagreements", 0))


def _words(error: Exception) -> str:
    """Return an error as text; Python's own errors say little without their name."""
    said = "; ".join(error.messages) if isinstance(error, ValidationError) else str(error)
    named = type(error).__module__ == "builtins" or not said
    return f"{type(error).__name__}: {said}" if named else said


def ready(now: datetime) -> list[Piece]:
    """Return the work that is ready at `now`: due, with its prerequisites done, and claimed by nobody."""
    times = timetable()
    week = schedule.latest(WorkKind.FORECAST, times, now).period
    days = {kind: schedule.latest(kind, times, now).period for kind in schedule.DAILY}
    known = _Known(week, days.values())
    wanted = []
    if not known.is_overtaken(WorkKind.FORECAST, week):
        letters_due = schedule.latest(WorkKind.LETTER, times, now).period == week
        wanted += _undone_of_week(known, week, now, letters_due=letters_due)
    for kind, day in days.items():
        # Orders follow the week's forecast; should that fail, an older one is better than none.
        waits = kind == WorkKind.PURCHASES and not known.forecast_ended_or_failed(week)
        if not waits and not known.is_overtaken(kind, day):
            wanted.append(Piece(kind, day))
    return [piece for piece in wanted if known.is_free(piece)]


def renewal_waits(now: datetime) -> datetime | None:
    """Return from when on new data asks for the week's work again; None where there is none, or none asks."""
    week = schedule.latest(WorkKind.FORECAST, timetable(), now).period
    return _renewal_at(_Known(week, []), week, now)


def _undone_of_week(known: "_Known", week: str, now: datetime, *, letters_due: bool) -> list[Piece]:
    """Return the next pieces of a week: the forecast part by part, then the drafts, then the letters.

    Letters wait until new data is in the drafts, but not for a renewal that fails: an older list is better
    than none.
    """
    making = _making_of_week(known, week, now)
    may_write = not making or (known.last_renewal(week) is not None and known.failed_of_week(week))
    if not (letters_due and may_write):
        return making
    restocks = Restock.objects.filter(period=week).exclude(status=RestockStatus.CANCELLED)
    vans = restocks.order_by("van__code").values_list("van__code", flat=True)
    return making + [Piece(WorkKind.LETTER, f"{week} {van}") for van in vans]


def _making_of_week(known: "_Known", week: str, now: datetime) -> list[Piece]:
    """Return the next pieces of a week's forecast and drafts, or what begins them again for new data."""
    if not known.is_done(beginning := Piece(WorkKind.FORECAST, week)):
        return [beginning]
    if parts := known.undone_parts():
        return parts
    for kind in (WorkKind.FORECAST_END, WorkKind.RESTOCKS):
        if not known.is_done(piece := Piece(kind, week)):
            return [piece]
    at = _renewal_at(known, week, now)
    return [known.next_renewal(week)] if at is not None and at <= now else []


def _renewal_at(known: "_Known", week: str, now: datetime) -> datetime | None:
    """Return from when on new data asks for the work of a week again that was done."""
    pieces = (Piece(WorkKind.FORECAST, week), Piece(WorkKind.RESTOCKS, week))
    if not all(known.is_done(piece) for piece in pieces):
        return None
    forecast, drafts = (known.result_of(piece) for piece in pieces)
    new = renewal.news(forecast, drafts, now)
    return None if new is None else renewal.due_at(week, new, known.last_renewal(week), now)


class _Known:
    """What the database says about the work of a week and of some days. Two queries."""

    def __init__(self, week: str, days: Iterable[str]) -> None:
        free = ExpressionWrapper(leases.claimable(timezone.now()), output_field=BooleanField())
        of_periods = Q(period=week) | Q(period__startswith=f"{week} ") | Q(period__in=list(days))
        rows = PeriodWork.objects.filter(of_periods).annotate(free=free).order_by("pk")
        self._rows = {(row.kind, row.period): row for row in rows}
        newest = PeriodWork.objects.order_by().values_list("kind").annotate(newest=Max("period"))
        self._newest = dict(newest)

    def is_overtaken(self, kind: WorkKind, period: str) -> bool:
        """Return whether a later period of the kind was begun."""
        return bool(self._newest.get(kind, "") > period)

    def is_done(self, piece: Piece) -> bool:
        """Return whether a piece is done."""
        row = self._rows.get((piece.kind, piece.period))
        return row is not None and row.done_at is not None

    def is_free(self, piece: Piece) -> bool:
        """Return whether a piece may be claimed."""
        row = self._rows.get((piece.kind, piece.period))
        return row is None or bool(row.free)

    def undone_parts(self) -> list[Piece]:
        """Return the parts of the week's forecast that are not done."""
        rows = [row for (kind, _), row in self._rows.items() if kind == WorkKind.FORECAST_PART]
        return [Piece(WorkKind.FORECAST_PART, row.period) for row in rows if row.done_at is None]

    def forecast_ended_or_failed(self, week: str) -> bool:
        """Return whether the week's forecast exists, or part of it failed."""
        failed = any(row.error for (kind, _), row in self._rows.items() if kind in FORECASTING)
        return failed or self.is_done(Piece(WorkKind.FORECAST_END, week))

    def failed_of_week(self, week: str) -> bool:
        """Return whether something of the week's forecast or drafts failed."""
        kinds = (*FORECASTING, WorkKind.RESTOCKS)
        return any(
            row.error for (kind, period), row in self._rows.items() if kind in kinds and week in period
        )

    def result_of(self, piece: Piece) -> dict[str, Any]:
        """Return what was kept of a piece that is done."""
        return dict(self._rows[piece.kind, piece.period].result)

    def last_renewal(self, week: str) -> datetime | None:
        """Return when the week's work was last begun again for new data."""
        return max((row.done_at for row in self._renewals(week) if row.done_at), default=None)

    def next_renewal(self, week: str) -> Piece:
        """Return the piece that begins the week's work again, numbered after those that are done."""
        done = sum(row.done_at is not None for row in self._renewals(week))
        return Piece(WorkKind.RENEWAL, f"{week} {done + 1}")

    def _renewals(self, week: str) -> list[PeriodWork]:
        renewals = (row for (kind, _), row in self._rows.items() if kind == WorkKind.RENEWAL)
        return [row for row in renewals if row.period.startswith(f"{week} ")]
