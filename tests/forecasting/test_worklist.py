"""Which restocks, purchases, letters and periodic work the first page lists, and for whom."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from forecasting import schedule
from forecasting.models import (
    ForecastRun,
    Letter,
    LetterState,
    PeriodWork,
    Purchase,
    PurchaseStatus,
    Restock,
    RestockStatus,
    timetable,
)
from forecasting.schedule import WorkKind
from inventory.models import Place, Supplier
from shop.models import Person
from shop.web.worklist import waiting_for
from tests.forecasting.restock_shop import DISC, forecast
from tests.forecasting.restock_shop import draft as draft_restocks
from tests.shop.api.served_shop import open_served_shop, signed_in

pytestmark = pytest.mark.django_db

LONG_AGO = datetime(2026, 3, 2, tzinfo=UTC)
WEEK_OF_BURN = (2, 4, 6, 8, 10, 12, 14, 16)


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people and two vans."""
    open_served_shop()


def said_to(name: str) -> list[str]:
    """Return what a person is told."""
    return [str(matter) for matter in waiting_for(Person.objects.get(username=name)) or ()]


def restock(van: str, period: str, status: RestockStatus) -> Restock:
    """Make a restock that stands somewhere."""
    run = ForecastRun.objects.first() or forecast({})
    return Restock.objects.create(
        van=Place.objects.get(code=van),
        depot=Place.objects.get(code="depot"),
        period=period,
        run=run,
        status=status,
        inputs={},
        made_at=LONG_AGO,
    )


def purchase(number: int, status: PurchaseStatus, **fields: Any) -> Purchase:
    """Make a purchase that stands somewhere."""
    return Purchase.objects.create(
        number=f"PO-2026-{number:04}",
        supplier=Supplier.objects.get(),
        depot=Place.objects.get(code="depot"),
        status=status,
        inputs={},
        made_at=LONG_AGO,
        **fields,
    )


def letter(number: int, state: LetterState, **fields: Any) -> Letter:
    """Write a letter that stands somewhere."""
    sent = LONG_AGO if state == LetterState.SENT else None
    return Letter.objects.create(
        key=f"letter {number}",
        subject="A list",
        message_id=f"<{number}@example.org>",
        source=b"Subject: A list\r\n\r\nNothing.\r\n",
        state=state,
        written_at=LONG_AGO,
        sent_at=sent,
        **fields,
    )


def work(kind: WorkKind, period: str, **fields: Any) -> PeriodWork:
    """Write down a piece of work."""
    return PeriodWork.objects.create(kind=kind, period=period, **fields)


def test_restocks_wait_for_whoever_takes_the_next_step() -> None:
    runs = draft_restocks(forecast({("van-a", DISC): WEEK_OF_BURN, ("van-b", DISC): WEEK_OF_BURN}))
    assert said_to("sue") == said_to("olga") == [f"{len(runs)} restocks to approve"]
    assert said_to("ann") == []
    Restock.objects.filter(van__code="van-a").update(status=RestockStatus.APPROVED)
    Restock.objects.filter(van__code="van-b").update(status=RestockStatus.UNDER_WAY)
    assert said_to("sue") == ["1 restock under way, to confirm on the van", "1 restock to pick"]
    assert said_to("ben") == ["1 restock under way, to confirm on the van"]
    assert said_to("ann") == []
    page = signed_in("ben").get("/").content.decode()
    assert 'href="/restocks/?status=under+way"' in page
    assert said_to("ada") == []


def test_open_differences_wait_to_be_settled() -> None:
    came = draft_restocks(forecast({("van-a", DISC): WEEK_OF_BURN}))["van-a"]
    came.lines.update(approved=4, picked=4, received=3)
    Restock.objects.update(status=RestockStatus.RECEIVED)
    assert said_to("sue") == ["1 restock with differences to settle"]
    listed = signed_in("sue").get("/restocks/?status=differences").content.decode()
    assert "open differences" in listed


def test_purchases_wait_to_be_approved_and_sent_and_are_said_to_be_overdue() -> None:
    today = timezone.localdate()
    purchase(1, PurchaseStatus.DRAFT)
    purchase(2, PurchaseStatus.APPROVED)
    purchase(3, PurchaseStatus.SENT, expected_on=today - timedelta(days=1), sent_at=LONG_AGO)
    purchase(4, PurchaseStatus.PARTLY_RECEIVED, expected_on=today, sent_at=LONG_AGO)
    purchase(5, PurchaseStatus.RECEIVED, expected_on=date(2026, 3, 3), sent_at=LONG_AGO)
    assert said_to("sue") == [
        "1 purchase overdue from the supplier",
        "1 purchase to approve",
        "1 purchase to send",
    ]
    assert said_to("ann") == []
    listed = signed_in("sue").get("/purchases/?status=overdue").content.decode()
    assert "PO-2026-0003" in listed
    assert "PO-2026-0004" not in listed
    assert "PO-2026-0005" not in listed


def test_letters_wait_that_somebody_did_not_get_until_they_are_sent_once_more() -> None:
    failed = letter(1, LetterState.FAILED)
    letter(2, LetterState.NO_RECIPIENT)
    letter(3, LetterState.WAITING)
    letter(4, LetterState.SENT)
    assert said_to("sue") == ["2 letters that did not reach everyone"]
    letter(5, LetterState.WAITING, resends=failed)
    assert said_to("sue") == ["1 letter that did not reach everyone"]
    listed = signed_in("sue").get("/letters/?state=needs+a+hand").content.decode()
    assert f"/letters/{failed.pk}/" not in listed
    assert listed.count('scope="row"') == 1


class TestPeriodicWork:
    """Failed, overdue and disagreeing work, for the storekeeper and the owner."""

    def test_a_failure_waits_until_it_is_made_up_for(self) -> None:
        now = timezone.now()
        piece = work(WorkKind.CHECK, "2026-03-02", claimed_at=now, error="disk full")
        assert said_to("sue") == said_to("olga") == ["1 piece of periodic work failed"]
        # Who tries again may succeed.
        PeriodWork.objects.update(token="t", alive_at=now)  # noqa: S106 - a claim's, no password
        assert said_to("sue") == []
        PeriodWork.objects.update(token="", done_at=now, error="")
        assert said_to("sue") == []
        PeriodWork.objects.update(done_at=None, error="disk full")
        later = work(WorkKind.CHECK, "2026-03-03", claimed_at=now, done_at=now)
        assert said_to("sue") == [], (piece, later)

    def test_work_that_nothing_does_is_overdue_only_where_it_was_done_before(self) -> None:
        assert said_to("sue") == []
        before = timezone.now() - timedelta(days=30)
        for kind in (WorkKind.CHECK, WorkKind.PURCHASES):
            period = schedule.latest(kind, timetable(), before).period
            work(kind, period, claimed_at=before, done_at=before)
        (said,) = said_to("sue")
        assert said.endswith("of periodic work overdue, and nothing does it")
        page = signed_in("sue").get("/work/").content.decode()
        assert "Periodic work is not running" in page
        assert WorkKind.CHECK.value in page
        # A person who has started to make up for it does it.
        work(WorkKind.CHECK, "2026-03-01", claimed_at=timezone.now())
        assert said_to("sue") == []
        assert "Periodic work is not running" not in signed_in("sue").get("/work/").content.decode()

    def test_books_that_disagree_are_said_until_a_check_finds_them_right(self) -> None:
        now = timezone.now()
        work(
            WorkKind.CHECK,
            "2026-03-02",
            claimed_at=now,
            done_at=now,
            result={"disagreements": 3, "first": []},
        )
        assert said_to("olga") == ["3 places where the books are inconsistent"]
        work(WorkKind.CHECK, "2026-03-03", claimed_at=now, done_at=now, result={"disagreements": 0})
        assert said_to("olga") == []


def test_the_first_page_asks_no_more_for_many_than_for_few() -> None:
    def queries() -> int:
        client = signed_in("olga")
        client.get("/")
        with CaptureQueriesContext(
            connection,
        ) as asked:
            assert client.get("/").status_code == 200
        return len(asked)

    def add(first: int, number: int) -> None:
        for n in range(first, first + number):
            restock("van-a", f"2025-W{n:02}", RestockStatus.UNDER_WAY)
            purchase(n, PurchaseStatus.DRAFT)
            letter(n, LetterState.FAILED)
            work(WorkKind.LETTER, f"2026-W10 van-{n}", claimed_at=timezone.now(), error="refused")

    add(1, 1)
    few = queries()
    add(2, 30)
    assert queries() == few
