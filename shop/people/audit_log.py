"""The audit trail: who did what and when, read from where each kind of act is kept anyway.

Another app adds its own acts with `register` when it starts, so that this one need not know it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from heapq import merge
from itertools import islice
from typing import Any

from axes.models import AccessFailureLog, AccessLog
from django.contrib.admin.models import LogEntry
from django.db.models import Q, QuerySet

from inventory.documents import DocumentKind, time_problem
from inventory.models import Document, PeriodChange, RefusedDocument
from shop.models import start_of_day

ABOUT_PEOPLE = Q(content_type__app_label="shop", content_type__model="person")


@dataclass(frozen=True, slots=True)
class Source:
    """One kind of act: its rows, the names of their fields for when and who, and the text of one."""

    kind: str
    rows: Callable[[], QuerySet[Any]]
    at: str
    who: str
    what: Callable[[Any], str]


@dataclass(frozen=True, slots=True)
class TrailPosition:
    """A place in the trail: after the row `pk` of the source of number `source`."""

    at: datetime
    source: int
    pk: int

    def __str__(self) -> str:
        return f"{self.at.isoformat()}~{self.source}~{self.pk}"

    @classmethod
    def read(cls, text: str) -> "TrailPosition | None":
        """Return the place that a text names, None when it names none."""
        try:
            at, source, pk = text.split("~")
            place = cls(datetime.fromisoformat(at), int(source), int(pk))
        except ValueError:
            return None
        if time_problem(place.at) or abs(place.pk) >= 2**63:
            return None
        return replace(place, at=place.at.astimezone(UTC))


@dataclass(frozen=True, slots=True)
class Act:
    """Who did what, when."""

    kind: str
    at: datetime
    who: str
    what: str
    place: TrailPosition


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which part of the audit log to show; empty or None: all."""

    kind: str = ""
    who: str = ""
    day: date | None = None


_sources: dict[str, Source] = {}


def register(source: Source) -> None:
    """Add a kind of act to the trail. Registering it again changes nothing."""
    _sources[source.kind] = source


def kinds() -> list[str]:
    """Return the kinds of acts there are."""
    return list(_sources)


def acts(wanted: Wanted, after: TrailPosition | None, most: int) -> list[Act]:
    """Return the latest acts after a place in the audit log, latest first: one query per kind."""
    within = None
    if wanted.day is not None:
        within = start_of_day(wanted.day), start_of_day(wanted.day + timedelta(days=1))
    parts = [
        _acts_of(number, source, _narrowed(source, wanted.who, within), after, most)
        for number, source in enumerate(_sources.values())
        if wanted.kind in ("", source.kind)
    ]
    return list(islice(merge(*parts, key=_order), most))


def _order(act: Act) -> tuple[float, int, int]:
    return -act.at.timestamp(), act.place.source, -act.place.pk


def _narrowed(source: Source, who: str, within: tuple[datetime, datetime] | None) -> QuerySet[Any]:
    rows = source.rows()
    if who:
        rows = rows.filter(**{source.who: who})
    if within is not None:
        rows = rows.filter(**{f"{source.at}__gte": within[0], f"{source.at}__lt": within[1]})
    return rows


def _acts_of(
    number: int, source: Source, rows: QuerySet[Any], after: TrailPosition | None, most: int
) -> Iterator[Act]:
    if after is not None:
        later = Q(**{f"{source.at}__lt": after.at})
        if number > after.source:
            later |= Q(**{source.at: after.at})
        elif number == after.source:
            later |= Q(**{source.at: after.at, "pk__lt": after.pk})
        rows = rows.filter(later)
    for row in rows.order_by(f"-{source.at}", "-pk")[:most]:
        at = getattr(row, source.at)
        name = _value(row, source.who) or "the system"
        yield Act(source.kind, at, name, source.what(row), TrailPosition(at, number, row.pk))


def _value(row: Any, path: str) -> str:
    for name in path.split("__"):
        row = getattr(row, name, None)
    return str(row or "")


def _correction(document: Document) -> str:
    undone = document.corrects
    return f"{document.client_id} undid {undone}: {document.content.get('reason', '')}"


def _period(change: PeriodChange) -> str:
    until = change.locked_until
    did = f"locked the books until {until:%Y-%m-%d %H:%M %Z}" if until else "reopened all books"
    return f"{did}: {change.reason}"


def _changed(entry: LogEntry) -> str:
    return f"{entry.content_type}: {_on_account(entry)}"


def _on_account(entry: LogEntry) -> str:
    if entry.is_deletion():
        return f"{entry.object_repr}: deleted"
    return f"{entry.object_repr}: {entry.get_change_message() or ('added' if entry.is_addition() else '')}"


def _failed(attempt: AccessFailureLog) -> str:
    shut = ", shut for a while" if attempt.locked_out else ""
    return f"wrong name or password from {attempt.ip_address or 'an unknown address'}{shut}"


for _source in (
    Source(
        "documents",
        lambda: Document.objects.exclude(kind=DocumentKind.CORRECTION),
        "recorded_at",
        "recorded_by",
        lambda document: f"posted {document}",
    ),
    Source(
        "corrections",
        lambda: Document.objects.filter(kind=DocumentKind.CORRECTION).select_related("corrects"),
        "recorded_at",
        "recorded_by",
        _correction,
    ),
    Source(
        "refused documents",
        RefusedDocument.objects.all,
        "refused_at",
        "refused_by",
        lambda refused: f"{refused.kind} {refused.client_id} was refused: {refused.reason}",
    ),
    Source("periods", PeriodChange.objects.all, "changed_at", "changed_by", _period),
    Source(
        "settings",
        lambda: LogEntry.objects.exclude(ABOUT_PEOPLE).select_related("content_type", "user"),
        "action_time",
        "user__username",
        _changed,
    ),
    Source(
        "people",
        lambda: LogEntry.objects.filter(ABOUT_PEOPLE).select_related("user"),
        "action_time",
        "user__username",
        _on_account,
    ),
    Source(
        "sign-ins",
        AccessLog.objects.all,
        "attempt_time",
        "username",
        lambda log: f"signed in from {log.ip_address or 'an unknown address'}",
    ),
    Source("failed sign-ins", AccessFailureLog.objects.all, "attempt_time", "username", _failed),
):
    register(_source)
