"""The handler of each kind of periodic work, in two steps: read and compute first, then write.

The second step runs in the transaction that also writes that the work is done, so the transaction is short
(SQLite has one writer, and the site is one too) and the effects and the mark come together or not at all.
Each piece returns the second step; that returns what to store of it: `said` for people, and facts.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from itertools import islice
from typing import Any

from django.utils import timezone

from forecasting.burn import runs
from forecasting.models import ForecastRun, LetterState, PeriodWork, Restock, RestockStatus
from forecasting.outbox import weekly_list
from forecasting.outbox.messages import write_letter
from forecasting.purchasing.drafts import draft_purchases
from forecasting.replenishment.drafts import draft_restocks
from forecasting.replenishment.redraft import draft_week_again
from forecasting.schedule import WorkKind
from forecasting.scheduler import renewal
from inventory.db.repeatable_read import one_snapshot
from inventory.integrity.stock_checks import Disagreement
from shop.common.text import counted
from shop.integrity import all_checks
from shop.jobs.photo_files import forget_unnamed
from shop.people.sessions import forget_expired

BY = "schedule"
MOST_KEPT = 50

Result = dict[str, Any]
Write = Callable[[], Result]


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of work by kind and period; a part, turn or van follows the period that has many."""

    kind: WorkKind
    period: str

    @property
    def whole_period(self) -> str:
        """The period without the part, turn or van."""
        return self.period.split(" ", 1)[0]

    @property
    def one_of_many(self) -> str:
        """The part, turn or van; empty for work that is the period's only one."""
        return self.period.partition(" ")[2]


def begun(piece: Piece, now: datetime) -> Write:
    """Do the first step of a piece, and return its second."""
    return _FIRST_STEPS[piece.kind](piece, now)


def _forecast(piece: Piece, now: datetime) -> Write:
    def write() -> Result:
        # Nothing is known yet of a moment to come, which only `run_due --at` asks about.
        run = runs.start_run(known_at=min(now, timezone.now()), by=BY)
        parts = runs.chunks_of(run)
        PeriodWork.objects.bulk_create(
            PeriodWork(kind=WorkKind.FORECAST_PART, period=f"{piece.period} {number}")
            for number in range(1, len(parts) + 1)
        )
        said = f"begun in {counted(len(parts), 'part')}"
        return {"said": said, "run": run.pk, **renewal.known_to_forecast(run)}

    return write


def _forecast_part(piece: Piece, _now: datetime) -> Write:
    run = _run_of(piece)
    chunk = runs.chunks_of(run)[int(piece.one_of_many) - 1]
    # Repeating this changes nothing, so it need not be in the transaction that ends it.
    runs.forecast_chunk(run, chunk)
    return lambda: {"said": f"part {piece.one_of_many}"}


def _forecast_end(piece: Piece, _now: datetime) -> Write:
    run = _run_of(piece)

    def write() -> Result:
        runs.finish_run(run)
        return {"said": counted(run.forecasts.count(), "forecast"), "run": run.pk}

    return write


def _restocks(piece: Piece, now: datetime) -> Write:
    run, forecast = _run_of(piece), _beginning_of(piece).result

    def write() -> Result:
        known = renewal.known_to_drafts(forecast) if "since" in forecast else {}
        before = Restock.objects.filter(period=piece.period).exists()
        drafted = draft_restocks(run, piece.period, by=BY, now=now)
        if not before:
            return {"said": counted(len(drafted), "draft"), **known}
        renewed = draft_week_again(run, piece.period, by=BY, now=now)
        return {"said": f"{counted(len(drafted), 'draft')}, {len(renewed)} of them made again", **known}

    return write


def _renewal(piece: Piece, now: datetime) -> Write:
    return lambda: {"said": renewal.reopen(piece.whole_period, now)}


def _letter(piece: Piece, now: datetime) -> Write:
    restock = Restock.objects.select_related("van", "depot").get(
        van__code=piece.one_of_many, period=piece.whole_period
    )
    composed = weekly_list.compose(restock, now)
    recipients = weekly_list.recipients_of(restock.van)

    def write() -> Result:
        # A person who cancels or approves it now has to wait; the letter states what held before.
        status = Restock.objects.select_for_update().values_list("status", flat=True).get(pk=restock.pk)
        if status == RestockStatus.CANCELLED:
            return {"said": "no letter: the restock was cancelled"}
        if restock.letters.filter(resends=None).exists():
            return {"said": "was written before"}
        letter = write_letter(weekly_list.key_of(restock), recipients, composed, restock=restock, now=now)
        if letter.state == LetterState.NO_RECIPIENT:
            return {"said": "written, but there is no recipient", "letter": letter.pk}
        return {"said": f"written to {', '.join(letter.recipients)}", "letter": letter.pk}

    return write


def _purchases(piece: Piece, now: datetime) -> Write:
    run = runs.latest_run()

    def write() -> Result:
        if run is None or not run.forecasts.exists():
            return {"said": "nothing drafted: there is no forecast yet"}
        drafted = draft_purchases(run, date.fromisoformat(piece.period), by=BY, now=now)
        left_out = [f"{one.consumable} from {one.supplier}: {one.reason}" for one in drafted.left_out]
        said = counted(len(drafted), "draft")
        if left_out:
            said += f"; {counted(len(left_out), 'thing')} to order could not be put into any"
        return {"said": said, "left_out": left_out[:MOST_KEPT]}

    return write


def _check(_piece: Piece, _now: datetime) -> Write:
    with one_snapshot():
        found, kept = _first_of(all_checks.damage())
        if not found:
            found, kept = _first_of(all_checks.disagreements())
    said = "everything agrees" if not found else counted(found, "disagreement")
    return lambda: {"said": said, "disagreements": found, "first": kept}


def _sessions(_piece: Piece, now: datetime) -> Write:
    # What has not ended yet stays, should `run_due --at` ask about a moment to come.
    return lambda: {"said": f"{counted(forget_expired(min(now, timezone.now())), 'sign-in')} cleared"}


def _photos(_piece: Piece, now: datetime) -> Write:
    # Repeating this changes nothing, so it need not be in the transaction that ends it.
    removed = forget_unnamed(min(now, timezone.now()))
    return lambda: {"said": f"{counted(removed, 'file')} without a photo removed"}


def _first_of(disagreements: Iterator[Disagreement]) -> tuple[int, list[str]]:
    """Return how many disagreements there are, and the first of them as text."""
    kept = [
        f"{one.what}: {one.where}: stored {one.stored}, expected {one.expected}"
        for one in islice(disagreements, MOST_KEPT)
    ]
    return len(kept) + sum(1 for _ in disagreements), kept


def _run_of(piece: Piece) -> ForecastRun:
    """Return the forecast that the period's beginning made."""
    return ForecastRun.objects.get(pk=_beginning_of(piece).result["run"])


def _beginning_of(piece: Piece) -> PeriodWork:
    return PeriodWork.objects.get(kind=WorkKind.FORECAST, period=piece.whole_period)


_FIRST_STEPS: dict[WorkKind, Callable[[Piece, datetime], Write]] = {
    WorkKind.FORECAST: _forecast,
    WorkKind.FORECAST_PART: _forecast_part,
    WorkKind.FORECAST_END: _forecast_end,
    WorkKind.RESTOCKS: _restocks,
    WorkKind.RENEWAL: _renewal,
    WorkKind.LETTER: _letter,
    WorkKind.PURCHASES: _purchases,
    WorkKind.CHECK: _check,
    WorkKind.SESSIONS: _sessions,
    WorkKind.PHOTOS: _photos,
}
