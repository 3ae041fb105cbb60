"""The page of periodic work: what is due, what was done, what failed, and the result of the ledger check."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from forecasting import schedule
from forecasting.models import PeriodWork, timetable
from forecasting.schedule import DAILY, WEEKLY, WorkKind
from forecasting.scheduler.monitoring import is_at_work, is_given_up, last_check, newest_periods, overdue
from shop.common.pagination import page_of
from shop.models import Role, the_shop
from shop.people.permissions import for_roles


@dataclass(frozen=True, slots=True)
class Coming:
    """A kind of work, when it is due next, and the last of it that was done."""

    kind: WorkKind
    next_at: datetime
    last: PeriodWork | None


@dataclass(frozen=True, slots=True)
class WorkRow:
    """A piece of work as the page shows it."""

    work: PeriodWork
    state: str
    at: datetime | None
    said: str
    troubled: bool


@never_cache
@require_safe
@for_roles(Role.OWNER, Role.STOREKEEPER)
def index(request: HttpRequest) -> HttpResponse:
    """Show what is due next, what was done, and what went wrong."""
    now = timezone.now()
    newest = newest_periods()
    # Parts are many and say little once they are done.
    told = PeriodWork.objects.exclude(kind=WorkKind.FORECAST_PART, error="").order_by("-pk")
    page = page_of(request, told, "page")
    context = {
        "shop": the_shop(),
        "title": "Periodic work",
        "coming": _coming(now),
        "page": page,
        "rows": [_row(work, newest, now) for work in page],
        "forecast": _forecast_progress(newest.get(WorkKind.FORECAST, "")),
        "check": last_check(),
        "overdue": overdue(now),
    }
    return render(request, "forecasting/work.html", context)


def _coming(now: datetime) -> list[Coming]:
    times = timetable()
    done = PeriodWork.objects.filter(done_at__isnull=False).order_by()
    latest = done.values("kind").annotate(newest=Max("pk")).values("newest")
    last: dict[str, PeriodWork | None] = {
        work.kind: work for work in PeriodWork.objects.filter(pk__in=latest)
    }
    # A forecast is done when its end is.
    last[WorkKind.FORECAST] = last.get(WorkKind.FORECAST_END)
    return [Coming(kind, schedule.coming(kind, times, now).at, last.get(kind)) for kind in (*WEEKLY, *DAILY)]


def _forecast_progress(week: str) -> dict[str, int] | None:
    """Return how many parts of the newest forecast are done, and of how many, while it is being made."""
    parts = PeriodWork.objects.filter(kind=WorkKind.FORECAST_PART, period__startswith=f"{week} ")
    counts = {"of": parts.count(), "done": parts.filter(done_at__isnull=False).count()}
    return counts if counts["done"] < counts["of"] else None


def _row(work: PeriodWork, newest: dict[str, str], now: datetime) -> WorkRow:
    if work.done_at is not None:
        troubled = bool(work.result.get("disagreements"))
        return WorkRow(work, "done", work.done_at, str(work.result.get("said", "")), troubled)
    if is_at_work(work, now):
        return WorkRow(work, "at work", work.claimed_at, "", troubled=False)
    if is_given_up(work, newest):
        return WorkRow(work, "given up for a later period", work.claimed_at, work.error, troubled=False)
    if work.error:
        return WorkRow(work, "failed", work.not_before, work.error, troubled=True)
    return WorkRow(work, "waiting", work.claimed_at, "", troubled=False)
