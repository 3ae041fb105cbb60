"""The audit trail: who did what, in one order over all kinds of acts, in pages, with constant queries."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from axes.models import AccessFailureLog, AccessLog
from django.contrib.admin.models import CHANGE, LogEntry
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inventory.ledger.period_lock import change_lock
from shop.models import Person
from shop.people.audit_log import TrailPosition, Wanted, acts, kinds
from tests.inventory.small_shop import day
from tests.shop.api.served_shop import BODIES, close_body, open_served_shop, put, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


def page(query: str = "") -> str:
    """Return the page of the trail as the owner sees it."""
    answer: str = signed_in("olga").get(f"/people/trail/{query}").content.decode()
    return answer


def test_each_kind_of_act_is_told() -> None:
    put("ann", "close", "C-1", close_body())
    put(
        "olga",
        "correction",
        "K-1",
        {**BODIES["correction"](), "corrects_kind": "close", "corrects_id": "C-1"},
    )
    change_lock(day(2), reason="January", by="ada", now=timezone.now())
    Client().post("/sign-in/", {"username": "sue", "password": "wrong"})
    olga = signed_in("olga")
    olga.post(
        f"/people/{Person.objects.get(username='sue').pk}/role/", {"role": "accountant", "confirmed": "1"}
    )
    olga.post("/admin/shop/damagetype/add/", {"code": "haze"})
    text = page()
    for said in (
        "posted close C-1",
        "K-1 undid close C-1: came twice",
        "locked the books until",
        "role storekeeper to accountant",
        "haze",
        "wrong name or password from 127.0.0.1",
    ):
        assert said in text, said


def signed(count: int) -> None:
    """Let sue have signed in so many times, an hour apart; two other kinds of acts at the same moments."""
    start = datetime(2026, 1, 1, tzinfo=UTC)
    moments = [start + timedelta(hours=number) for number in range(count)]
    common: dict[str, Any] = {"username": "sue", "ip_address": "192.0.2.1"}
    AccessLog.objects.bulk_create(AccessLog(**common) for _ in moments)
    AccessFailureLog.objects.bulk_create(AccessFailureLog(**common) for _ in moments)
    for model in (AccessLog, AccessFailureLog):
        for row, moment in zip(model.objects.order_by("pk"), moments, strict=True):
            model.objects.filter(pk=row.pk).update(attempt_time=moment)


def test_paging_shows_each_act_once_in_order_though_moments_are_the_same() -> None:
    signed(20)
    seen = []
    after: TrailPosition | None = None
    wanted = Wanted(who="sue")
    while found := acts(wanted, after, 7):
        seen += found
        after = TrailPosition.read(str(found[-1].place))
    assert len(seen) == len({(act.kind, act.place.pk) for act in seen}) == 40
    assert [act.at for act in seen] == sorted((act.at for act in seen), reverse=True)


def test_the_trail_is_narrowed_by_person_kind_and_day() -> None:
    signed(48)
    assert "signed in from" in page("?who=sue&kind=sign-ins&day=2026-01-02")
    assert page("?who=sue&kind=sign-ins&day=2026-01-02").count("signed in from") == 24
    assert "Nothing of that kind happened" in page("?who=nobody")
    assert "is not a day" in page("?day=yesterday")
    assert "is outside" in page("?day=0001-01-01")
    for odd in ("?after=x", "?after=2026-01-01~1~1", "?after=2026-01-01T00:00:00+00:00~99~5"):
        assert "Audit log" in page(odd)


def test_further_rows_follow_the_link() -> None:
    signed(60)
    link = re.search(r'rel="next" href="(\?[^"]+)"', page("?kind=sign-ins&who=sue"))
    assert link
    assert page(link[1].replace("&amp;", "&")).count("signed in from") == 10


def test_the_number_of_queries_is_the_same_with_a_long_history() -> None:
    owner = signed_in("olga")
    owner.get("/people/trail/")

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert owner.get("/people/trail/").status_code == 200
        return len(captured)

    LogEntry.objects.create(user=Person.objects.get(username="sue"), action_flag=CHANGE, object_repr="x")
    few = queries()
    AccessLog.objects.bulk_create(AccessLog(username=f"p{n}") for n in range(2000))
    person = Person.objects.get(username="sue")
    LogEntry.objects.bulk_create(
        LogEntry(user=person, action_flag=CHANGE, object_repr="x") for _ in range(2000)
    )
    assert queries() == few
    assert few < len(kinds()) + 12
