"""Periodic work: claimed once, done once, and taken over when the worker that had it died."""

import threading
from datetime import datetime, time, timedelta
from io import StringIO
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.utils import timezone

from forecasting import leases
from forecasting.models import (
    ForecastRun,
    Letter,
    PeriodWork,
    Purchase,
    Restock,
    RestockEvent,
    StockingTerms,
)
from forecasting.schedule import WorkKind
from forecasting.scheduler import handlers
from forecasting.scheduler.handlers import Piece
from forecasting.scheduler.runner import Attempt, Ending, do, do_all, ready
from inventory.models import Books
from shop.models import Device, Person
from tests.forecasting.small_fleet import ADDRESSES, SHOP_ADDRESS, VANS, open_fleet

pytestmark = pytest.mark.django_db


def later(**by: float) -> datetime:
    return timezone.now() + timedelta(**by)


def run_due(*arguments: str) -> str:
    out = StringIO()
    call_command("run_due", *arguments, stdout=out)
    return out.getvalue()


def row(kind: str = WorkKind.CHECK, period: str = "2026-11-25") -> PeriodWork:
    return PeriodWork.objects.get(kind=kind, period=period)


def grow_stale(kind: str = WorkKind.CHECK, period: str = "2026-11-25") -> None:
    PeriodWork.objects.filter(kind=kind, period=period).update(
        alive_at=timezone.now() - leases.STALE - timedelta(seconds=1)
    )


# Claims.


def test_work_is_claimed_by_one_and_done_once() -> None:
    first = leases.take(WorkKind.CHECK, "2026-11-25")
    assert first is not None
    assert leases.take(WorkKind.CHECK, "2026-11-25") is None
    assert leases.take(WorkKind.CHECK, "2026-11-26") is not None
    assert leases.take(WorkKind.PURCHASES, "2026-11-25") is not None
    first.done({"said": "everything agrees"})
    assert leases.take(WorkKind.CHECK, "2026-11-25") is None
    assert row().result == {"said": "everything agrees"}
    assert row().token == ""


def test_a_stale_claim_is_taken_over_and_its_first_holder_writes_nothing() -> None:
    dead = leases.take(WorkKind.CHECK, "2026-11-25")
    grow_stale()
    heir = leases.take(WorkKind.CHECK, "2026-11-25")
    assert dead is not None
    assert heir is not None
    assert heir.attempts == 2
    assert not dead.alive()
    with pytest.raises(leases.ClaimLost):
        dead.done({"said": "from the dead"})
    dead.failed("from the dead")
    dead.released()
    assert heir.alive()
    heir.done({"said": "from the heir"})
    assert row().result == {"said": "from the heir"}
    assert row().error == ""


def test_a_sign_of_life_keeps_a_claim() -> None:
    claim = leases.take(WorkKind.CHECK, "2026-11-25")
    assert claim is not None
    grow_stale()
    assert claim.alive()
    assert leases.take(WorkKind.CHECK, "2026-11-25") is None


def test_a_failure_is_kept_and_its_pause_doubles_up_to_an_hour() -> None:
    pauses = []
    for _ in range(9):
        claim = leases.take(WorkKind.CHECK, "2026-11-25")
        assert claim is not None
        before = timezone.now()
        claim.failed("the disk is full")
        assert leases.take(WorkKind.CHECK, "2026-11-25") is None
        again = row().not_before
        assert again is not None
        pauses.append(round((again - before).total_seconds() / 60))
        PeriodWork.objects.update(not_before=timezone.now())
    assert pauses == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    assert row().error == "the disk is full"


def test_a_released_claim_is_free_at_once() -> None:
    claim = leases.take(WorkKind.CHECK, "2026-11-25")
    assert claim is not None
    claim.released()
    assert leases.take(WorkKind.CHECK, "2026-11-25") is not None


def test_signs_of_life_are_given_while_work_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leases, "BEAT_SECONDS", 0.01)
    enough = threading.Event()
    beats: list[int] = []

    def beat() -> bool:
        beats.append(1)
        if len(beats) >= 3:
            enough.set()
        return True

    with leases.kept_alive(beat):
        assert enough.wait(30)
    counted = len(beats)
    assert not enough.wait(0.05) or len(beats) == counted


def test_signs_of_life_end_when_the_claim_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leases, "BEAT_SECONDS", 0.01)
    lost = threading.Event()
    beats: list[int] = []

    def beat() -> bool:
        beats.append(1)
        lost.set()
        return False

    with leases.kept_alive(beat):
        assert lost.wait(30)
        threading.Event().wait(0.1)
    assert len(beats) == 1


def test_work_that_hangs_stops_giving_signs_of_life(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leases, "BEAT_SECONDS", 0.01)
    monkeypatch.setattr(leases, "LONGEST", timedelta(0))
    beats: list[int] = []

    def beat() -> bool:
        beats.append(1)
        return True

    with leases.kept_alive(beat):
        threading.Event().wait(0.1)
    assert beats == []


@pytest.mark.django_db(transaction=True)
def test_of_many_that_claim_at_once_one_gets_it() -> None:
    got: list[leases.Lease] = []
    start = threading.Barrier(6)

    def claim() -> None:
        try:
            start.wait()
            if mine := leases.take(WorkKind.CHECK, "2026-11-25"):
                got.append(mine)
        finally:
            connection.close()

    threads = [threading.Thread(target=claim) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(got) == 1


# Doing.


@pytest.fixture
def fleet() -> None:
    """Open the shop of tests.forecasting.small_fleet."""
    open_fleet()


def everything() -> list[Attempt]:
    return list(do_all(timezone.now()))


def test_all_that_is_due_is_done_in_its_order_and_once(fleet: None) -> None:
    attempts = everything()
    assert all(attempt.ending == Ending.DONE for attempt in attempts), attempts
    kinds = [attempt.piece.kind for attempt in attempts]
    in_order = [
        WorkKind.FORECAST,
        WorkKind.FORECAST_PART,
        WorkKind.FORECAST_END,
        WorkKind.RESTOCKS,
        WorkKind.LETTER,
    ]
    assert [kind for kind in dict.fromkeys(kinds) if kind in in_order] == in_order
    assert kinds.count(WorkKind.LETTER) == len(VANS)
    assert kinds.index(WorkKind.PURCHASES) > kinds.index(WorkKind.FORECAST_END)
    assert WorkKind.CHECK in kinds
    assert ForecastRun.objects.get().finished_at is not None
    assert Restock.objects.count() == len(VANS)
    assert Purchase.objects.count() == 2
    recipients = {
        letter.restock.van.code: letter.recipients for letter in Letter.objects.all() if letter.restock
    }
    assert recipients == {van: [ADDRESSES[van], SHOP_ADDRESS] for van in VANS}
    assert everything() == []
    assert RestockEvent.objects.filter(what="drafted").count() == len(VANS)


def test_an_empty_shop_has_nothing_that_fails() -> None:
    attempts = everything()
    assert all(attempt.ending == Ending.DONE for attempt in attempts), attempts
    assert {attempt.piece.kind for attempt in attempts} >= {
        WorkKind.FORECAST,
        WorkKind.RESTOCKS,
        WorkKind.CHECK,
    }
    assert Letter.objects.count() == 0


def test_what_was_missed_for_weeks_is_made_up_for_by_its_latest_period_only(fleet: None) -> None:
    everything()
    weeks_later = later(weeks=3)
    attempts = list(do_all(weeks_later))
    assert all(attempt.ending == Ending.DONE for attempt in attempts), attempts
    assert Restock.objects.values("period").distinct().count() == 2
    assert PeriodWork.objects.filter(kind=WorkKind.PURCHASES).count() == 2
    assert PeriodWork.objects.filter(kind=WorkKind.CHECK).count() == 2
    # A period before the latest is overtaken, asked for by hand too.
    assert list(do_all(later(weeks=2))) == []


def test_letters_wait_for_their_time_though_drafts_are_made(fleet: None) -> None:
    now = timezone.now()
    StockingTerms.objects.update(letter_weekday=now.isoweekday(), letter_time=time(23, 59, 59))
    kinds = {attempt.piece.kind for attempt in everything()}
    assert WorkKind.RESTOCKS in kinds
    assert WorkKind.LETTER not in kinds
    midnight = now.replace(hour=23, minute=59, second=59, microsecond=0)
    # What else falls due before midnight depends on the hour this runs at.
    done = [attempt.piece.kind for attempt in do_all(midnight)]
    assert done.count(WorkKind.LETTER) == len(VANS)


@pytest.mark.parametrize(
    ("before", "after"), [("Pacific/Apia", "Pacific/Pago_Pago"), ("Europe/Lisbon", "Asia/Tokyo")]
)
def test_changed_clocks_or_letter_days_bring_no_second_letter_in_a_week(
    fleet: None, before: str, after: str
) -> None:
    # UTC+13 and UTC-11: the same moment is another day; either way round.
    Books.objects.update(time_zone=before)
    everything()
    written = Letter.objects.count()
    assert written == len(VANS)
    Books.objects.update(time_zone=after)
    assert WorkKind.LETTER not in {attempt.piece.kind for attempt in everything()}
    for weekday in range(1, 8):
        StockingTerms.objects.update(letter_weekday=weekday)
        everything()
    per_week: dict[str, list[int]] = {}
    for letter in Letter.objects.select_related("restock"):
        assert letter.restock is not None
        per_week.setdefault(letter.restock.period, []).append(letter.restock.van_id)
    assert all(len(vans) == len(set(vans)) for vans in per_week.values())


def failing(_piece: Piece, _now: datetime) -> Any:
    raise RuntimeError("the moon is in the way")


def test_a_failure_is_told_and_leaves_the_rest_to_be_done(
    fleet: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(handlers._FIRST_STEPS, WorkKind.CHECK, failing)
    attempts = everything()
    failed = [attempt for attempt in attempts if attempt.went_wrong]
    assert [(attempt.piece.kind, attempt.said) for attempt in failed] == [
        (WorkKind.CHECK, "RuntimeError: the moon is in the way")
    ]
    assert Letter.objects.count() == len(VANS)
    monkeypatch.undo()
    assert everything() == []
    PeriodWork.objects.update(not_before=timezone.now())
    assert [attempt.ending for attempt in everything()] == [Ending.DONE]


def test_orders_do_not_wait_for_a_forecast_that_fails(fleet: None, monkeypatch: pytest.MonkeyPatch) -> None:
    everything()
    monkeypatch.setitem(handlers._FIRST_STEPS, WorkKind.FORECAST_PART, failing)
    attempts = list(do_all(later(weeks=1)))
    endings = {attempt.piece.kind: attempt.ending for attempt in attempts}
    assert endings[WorkKind.FORECAST_PART] == Ending.FAILED
    assert endings[WorkKind.PURCHASES] == Ending.DONE
    assert WorkKind.RESTOCKS not in endings


def test_effects_and_mark_come_together_or_not_at_all(fleet: None, monkeypatch: pytest.MonkeyPatch) -> None:
    def lost(_claim: leases.Lease, _result: dict[str, Any]) -> None:
        raise leases.ClaimLost

    for kind in (WorkKind.FORECAST, WorkKind.RESTOCKS, WorkKind.LETTER, WorkKind.PURCHASES):
        while not any(piece.kind == kind for piece in ready(timezone.now())):
            for piece in ready(timezone.now()):
                if piece.kind not in (WorkKind.PURCHASES, WorkKind.LETTER):
                    do(piece, timezone.now())
        piece = next(piece for piece in ready(timezone.now()) if piece.kind == kind)
        before = (
            ForecastRun.objects.count(),
            Restock.objects.count(),
            Letter.objects.count(),
            Purchase.objects.count(),
        )
        with monkeypatch.context() as patch:
            patch.setattr(leases.Lease, "done", lost)
            attempt = do(piece, timezone.now())
        assert attempt is not None
        assert attempt.ending == Ending.LEFT
        after = (
            ForecastRun.objects.count(),
            Restock.objects.count(),
            Letter.objects.count(),
            Purchase.objects.count(),
        )
        assert after == before
        grow_stale(piece.kind, piece.period)
        again = do(piece, timezone.now())
        assert again is not None
        assert again.ending == Ending.DONE


def test_an_interrupted_worker_gives_its_claim_back(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_piece: Piece, _now: datetime) -> Any:
        raise KeyboardInterrupt

    piece = next(piece for piece in ready(timezone.now()) if piece.kind == WorkKind.CHECK)
    monkeypatch.setitem(handlers._FIRST_STEPS, WorkKind.CHECK, interrupted)
    with pytest.raises(KeyboardInterrupt):
        do(piece, timezone.now())
    monkeypatch.undo()
    assert piece in ready(timezone.now())


def test_a_cancelled_restock_gets_no_letter(fleet: None) -> None:
    while not Restock.objects.exists():
        for piece in ready(timezone.now()):
            do(piece, timezone.now())
    Restock.objects.filter(van__code="VAN-2").update(status="cancelled")
    everything()
    assert {letter.restock.van.code for letter in Letter.objects.all() if letter.restock} == {
        "VAN-1",
        "VAN-3",
    }


def test_looking_for_what_is_ready_takes_few_queries(fleet: None, django_assert_max_num_queries: Any) -> None:
    everything()
    with django_assert_max_num_queries(12):
        assert ready(timezone.now()) == []


def test_each_night_sign_ins_that_have_ended_are_cleared_and_no_other(owner: Client, client: Client) -> None:
    ended = Client()
    ended.force_login(Person.objects.get())
    Session.objects.filter(pk=ended.cookies["sessionid"].value).update(expire_date=later(weeks=-1))
    attempts = {attempt.piece.kind: attempt.said for attempt in do_all(later(weeks=5))}
    assert attempts[WorkKind.SESSIONS] == "1 sign-in cleared"
    assert [session.pk for session in Session.objects.all()] == [client.cookies["sessionid"].value]
    assert Device.objects.get().session_id == client.cookies["sessionid"].value
    assert client.get("/work/").status_code == 200


@pytest.fixture
def owner(client: Client) -> Client:
    """Sign the owner in."""
    client.force_login(Person.objects.create(username="olga", role="owner"))
    return client
