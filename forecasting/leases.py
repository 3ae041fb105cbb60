"""One piece of work of one period, done once: claimed, kept alive, and ended in the database.

A claim is a token in the row of (kind, period), which is unique. Its holder renews it every few
seconds; a holder that stops for STALE is dead, and the next one takes the claim over under a new token. Work
ends by `done`, which writes only while its own token stands, in the same transaction as the work's own
effects wherever those fit into one: so neither kill -9 nor a worker wrongly taken for dead loses or doubles
the work. Several machines need clocks that agree to within half of STALE.
"""

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

from django.db import DatabaseError, connection
from django.db.models import F, Q
from django.utils import timezone

from forecasting.models import PeriodWork

STALE = timedelta(seconds=90)
BEAT_SECONDS = 10.0
# Work that hangs does not hold its claim forever.
LONGEST = timedelta(hours=1)
FIRST_PAUSE, LONGEST_PAUSE = timedelta(minutes=1), timedelta(hours=1)
LONGEST_ERROR = 2000

logger = logging.getLogger(__name__)


class ClaimLost(Exception):
    """Another worker took the claim over, or ended the work; nothing may be written."""


@dataclass(frozen=True, slots=True)
class Lease:
    """The right to do one piece of work, as long as `token` stands in its row."""

    kind: str
    period: str
    token: str
    attempts: int

    def done(self, result: dict[str, Any]) -> None:
        """Write that the work is done. Raises ClaimLost, and then its transaction must be rolled back."""
        if not self._own().update(done_at=timezone.now(), token="", error="", not_before=None, result=result):
            raise ClaimLost(f"{self.kind} {self.period}")

    def failed(self, error: str) -> None:
        """Keep why the work failed, and let it be tried again after a pause that doubles each time."""
        pause = doubled(FIRST_PAUSE, self.attempts, LONGEST_PAUSE)
        self._own().update(token="", error=error[:LONGEST_ERROR], not_before=timezone.now() + pause)

    def released(self) -> None:
        """Give the claim back, for someone else to take at once."""
        self._own().update(token="")

    def alive(self) -> bool:
        """Record that the work goes on; return False when the claim is lost."""
        return bool(self._own().update(alive_at=timezone.now()))

    def _own(self) -> Any:
        rows = PeriodWork.objects.filter(kind=self.kind, period=self.period, done_at=None)
        return rows.filter(token=self.token)


def take(kind: str, period: str) -> Lease | None:
    """Claim a piece of work; None when it is done, held by someone alive, or to be tried again later."""
    PeriodWork.objects.get_or_create(kind=kind, period=period)
    token, now = str(uuid4()), timezone.now()
    row = PeriodWork.objects.filter(kind=kind, period=period)
    taken = row.filter(claimable(now)).update(
        token=token, claimed_at=now, alive_at=now, attempts=F("attempts") + 1
    )
    if not taken:
        return None
    attempts = row.filter(token=token).values_list("attempts", flat=True).first()
    # Meanwhile another worker may have taken us for dead.
    return None if attempts is None else Lease(kind, period, token, attempts)


def claimable(now: datetime) -> Q:
    """Return the condition of work that may be claimed."""
    free = Q(token="") & (Q(not_before=None) | Q(not_before__lte=now))
    return Q(done_at=None) & (free | (~Q(token="") & Q(alive_at__lt=stale_since(now))))


def stale_since(now: datetime) -> datetime:
    """Return the moment before which a last sign of life means that its holder is dead."""
    return now - STALE


def doubled(first: timedelta, attempts: int, longest: timedelta) -> timedelta:
    """Return the pause after so many attempts: the first, doubled each time, never above the longest."""
    # 30 doublings are beyond any pause here, and far within what a timedelta holds.
    doublings = min(max(attempts - 1, 0), 30)
    return min(first * (1 << doublings), longest)


@contextmanager
def kept_alive(beat: Callable[[], bool]) -> Iterator[None]:
    """Call `beat` every few seconds from a thread of its own, until the block ends or it returns False."""
    over = threading.Event()
    ends = timezone.now() + LONGEST

    def keep() -> None:
        try:
            while not over.wait(BEAT_SECONDS) and timezone.now() < ends:
                try:
                    if not beat():
                        break
                except DatabaseError:
                    # SQLite has one writer; the work itself may be writing. The next beat may get through.
                    logger.info("A sign of life did not get through", exc_info=True)
        finally:
            connection.close()

    thread = threading.Thread(target=keep, name="kept alive", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
