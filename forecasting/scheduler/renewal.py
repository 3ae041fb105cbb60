"""The part of a week's work that is done again for what is new: forecast, drafts, and unwritten lists.

Each piece of the week keeps how much of the ledger it knew: the number of documents recorded since a moment
well before it. Documents are only ever added, so a greater number means new data, even where a long
transaction ends after others that began later. Documents of restocks themselves are part of the plan, not new
data.

Bookings and settings leave no such trace: drafts keep a digest of them (forecasting.scheduler.plan_basis).

Documents of the weeks that the forecast rests on, and an interval longer than it looks ahead, ask for another
forecast; all else for new drafts from what is in stock and booked by now. They ask only while a van waits for
it: one without a restock, or one whose draft nobody has approved or changed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from forecasting.burn.inputs import weeks_of
from forecasting.models import ForecastRun, PeriodWork, Restock, RestockLine, RestockStatus, the_terms
from forecasting.replenishment.pick_ship_receive import DOCUMENTS_START
from forecasting.schedule import WorkKind
from forecasting.scheduler import plan_basis
from inventory.models import Document, Place, PlaceKind
from shop.common.text import counted
from shop.models import in_shop_zone, the_shop

# No transaction that records documents takes longer; an import that does is renewed for at the next document.
LONGEST_TRANSACTION = timedelta(days=1)
# Vans close jobs all day; drafts that change at each of them could not be read. A choice of ours, no source.
PAUSE = timedelta(hours=1)

Result = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Recorded:
    """How many documents were recorded, and how many of them belong to the weeks of a forecast."""

    documents: int
    of_history: int


@dataclass(frozen=True, slots=True)
class News:
    """What forecast and drafts did not know: documents, other bookings or settings, a longer interval."""

    documents: int
    of_history: int
    other_plan: bool = False
    longer: bool = False

    @property
    def asks_for_forecast(self) -> bool:
        """Whether drafts from the forecast that is there are not enough."""
        return self.of_history > 0 or self.longer

    def in_words(self) -> str:
        """Return what came, as text."""
        came = max(self.documents, self.of_history)
        said = [f"{counted(came, 'document')} came"] if came > 0 else []
        if self.other_plan or self.longer:
            said.append("bookings or settings were changed")
        return " and ".join(said)


def known_to_forecast(run: ForecastRun) -> dict[str, Any]:
    """Return what a forecast keeps of the ledger that it reads, as JSON values."""
    since, until = run.known_at - LONGEST_TRANSACTION, weeks_of(run).end
    known = _recorded(since, until, run.known_at)
    return {
        "since": since.isoformat(),
        "until": until.isoformat(),
        "of_history": known.of_history,
        "interval_days": the_terms().interval_days,
    }


def known_to_drafts(forecast: Result) -> dict[str, Any]:
    """Return what drafts keep of what they are made from, read before all of it; as JSON values."""
    since, until = (datetime.fromisoformat(forecast[name]) for name in ("since", "until"))
    return {"documents": _recorded(since, until).documents, "basis": plan_basis.digest(since.date())}


def news(forecast: Result, drafts: Result, now: datetime) -> News | None:
    """Return what there is by `now` that forecast and drafts did not know; None where nothing is new.

    Also None where what they knew was not kept, as by earlier versions of this module.
    """
    if "since" not in forecast or "documents" not in drafts:
        return None
    since, until = (datetime.fromisoformat(forecast[name]) for name in ("since", "until"))
    by_now = _recorded(since, until, now)
    new = News(
        by_now.documents - drafts["documents"],
        by_now.of_history - forecast["of_history"],
        other_plan="basis" in drafts and drafts["basis"] != plan_basis.digest(since.date()),
        longer="interval_days" in forecast and the_terms().interval_days > forecast["interval_days"],
    )
    return new if new.in_words() else None


def due_at(week: str, new: News, last: datetime | None, now: datetime) -> datetime | None:
    """Return from when on new data asks for the work again; `last` is when it last did.

    None while no van waits for it. At once the first time, and for history while the week has no restock;
    else some time after the last.
    """
    if not _is_waited_for(week):
        return None
    at_once = last is None or (new.of_history > 0 and not Restock.objects.filter(period=week).exists())
    return now if at_once or last is None else last + PAUSE


def reopen(week: str, now: datetime) -> str:
    """Let the week's work be done again as far as new data requires; return what is, as text.

    The parts of the forecast are deleted, since another one has its own; today's orders are drafted again
    after it. To be called in the transaction that marks this as done.
    """
    of_week = PeriodWork.objects.filter(period=week, done_at__isnull=False)
    results = dict(of_week.values_list("kind", "result"))
    new = news(results.get(WorkKind.FORECAST, {}), results.get(WorkKind.RESTOCKS, {}), now)
    if new is None:
        return "nothing new"
    if not new.asks_for_forecast:
        _undone(of_week.filter(kind=WorkKind.RESTOCKS))
        return f"{new.in_words()}; the drafts are made again"
    PeriodWork.objects.filter(kind=WorkKind.FORECAST_PART, period__startswith=f"{week} ").delete()
    _undone(of_week.filter(kind__in=(WorkKind.FORECAST, WorkKind.FORECAST_END, WorkKind.RESTOCKS)))
    today = in_shop_zone(now, the_shop()).date()
    done = PeriodWork.objects.filter(done_at__isnull=False)
    _undone(done.filter(kind=WorkKind.PURCHASES, period=today.isoformat()))
    past = f", {new.of_history} of past weeks" if new.of_history > 0 else ""
    return f"{new.in_words()}{past}; forecast and drafts are made again"


def _undone(works: QuerySet[PeriodWork]) -> None:
    works.update(done_at=None, token="", error="", not_before=None, attempts=0)


def _is_waited_for(week: str) -> bool:
    """Return whether a van has no restock, or one that nobody has approved or changed."""
    changed = RestockLine.objects.filter(restock=OuterRef("pk"), changed_to__isnull=False)
    drafts = Restock.objects.filter(~Exists(changed), period=week, status=RestockStatus.DRAFT)
    has_one = Restock.objects.filter(van=OuterRef("pk"), period__gte=week)
    return drafts.exists() or Place.objects.filter(~Exists(has_one), kind=PlaceKind.VAN).exists()


def _recorded(since: datetime, until: datetime, by: datetime | None = None) -> Recorded:
    """Count what was recorded since a moment, and what of it happened before `until`. One query."""
    rows = Document.objects.filter(recorded_at__gte=since).exclude(client_id__startswith=DOCUMENTS_START)
    if by is not None:
        rows = rows.filter(recorded_at__lte=by)
    of_history = Q(occurred_at__lt=until) | Q(corrects__occurred_at__lt=until)
    found = rows.order_by().aggregate(documents=Count("pk"), of_history=Count("pk", filter=of_history))
    return Recorded(**found)
