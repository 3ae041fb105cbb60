"""The look back as people see it: what was said, got, used and held, by role, at a constant cost."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from forecasting.models import Restock, RestockLine, RestockStatus
from forecasting.policy_review import views
from forecasting.policy_review.queries import ReviewRow, by_class, in_use, look_back, visible_to, weeks_back
from forecasting.replenishment.drafts import week_of
from inventory.models import Consumable, Holding, Movement, Place, PlaceKind
from shop.models import Person, Role, Technician, Van
from tests.forecasting.burn_shop import COMPOUND, DISC, MONDAY, PAD, bring, moment, open_burn_shop, work
from tests.forecasting.restock_shop import forecast

pytestmark = pytest.mark.django_db
WEEKS = 6
NOW = datetime.combine(MONDAY, datetime.min.time(), UTC) + timedelta(weeks=WEEKS)


@pytest.fixture(autouse=True)
def shop(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two vans worked for six weeks; it is the Monday after them."""
    open_burn_shop(WEEKS)
    monkeypatch.setattr(timezone, "now", lambda: NOW)


def person(role: Role, name: str = "") -> Person:
    found, _ = Person.objects.get_or_create(username=name or str(role), defaults={"role": role})
    return found


def seen_by(who: Person) -> Client:
    client = Client()
    client.force_login(who)
    return client


def rows(weeks: int = 4) -> dict[tuple[str, str], ReviewRow]:
    span = weeks_back(weeks, NOW)
    held = list(in_use(visible_to(person(Role.OWNER)), span))
    return {(row.van, row.consumable.code): row for row in look_back(held, span, NOW)}


def say(van: str, week: int, consumable: str, status: str, **quantities: int) -> None:
    """Store a restock of one line."""
    restock = Restock.objects.create(
        van=Place.objects.get(code=van),
        depot=Place.objects.get(code="depot"),
        period=week_of(MONDAY + timedelta(weeks=week)),
        run=forecast({}),
        status=status,
        inputs={},
        made_at=NOW,
    )
    said = {name: Decimal(quantity) for name, quantity in quantities.items()}
    zeros = ("on_hand", "on_the_way", "booked_need", "median", "high", "order_up_to", "unit_cost")
    RestockLine.objects.create(
        restock=restock,
        consumable=Consumable.objects.get(code=consumable),
        service_class="A",
        service=Decimal("0.95"),
        wanted=said["suggested"],
        why="a test",
        **dict.fromkeys(zeros, Decimal(0)),
        **said,
    )


def test_each_week_says_what_was_recommended_approved_received_and_used() -> None:
    say("van-a", 3, DISC, RestockStatus.RECEIVED, suggested=9, approved=8, picked=8, received=7)
    bring("T-3", "van-a", moment(3), (DISC, 7))
    say("van-a", 4, DISC, RestockStatus.CANCELLED, suggested=50)
    row = rows()["van-a", DISC]
    assert [week.recommended for week in row.weeks] == [None, 9, None, None]
    assert [row.recommended, row.approved, row.received] == [Decimal(9), Decimal(8), Decimal(7)]
    taken = sum(
        move.quantity
        for move in Movement.objects.filter(source__code="van-a", consumable__code=DISC)
        if move.destination.kind == PlaceKind.JOB and move.occurred_at >= moment(2, hour=0)
    )
    assert row.used == taken > 0
    assert (row.counted, row.ran_out, row.lasted, row.under_target) == (4, 0, 1.0, False)


def test_a_week_that_came_to_nothing_ran_out_and_falls_short_of_the_target() -> None:
    Holding.objects.filter(place__code="van-a", consumable__code=DISC).update(quantity=0)
    row = rows()["van-a", DISC]
    # The book ends at nothing; before, what was used since was still there.
    assert [week.ran_out for week in row.weeks] == [False, False, False, True]
    assert row.lasted == 0.75
    assert row.under_target
    (one,) = [found for found in by_class(list(rows().values())) if found.service_class == row.service_class]
    assert one.ran_out >= 1
    assert one.under_target


def test_stock_is_worth_its_last_cost() -> None:
    row = rows()["van-b", PAD]
    assert row.average == 100
    assert row.value == Decimal(100) * Decimal(1000) / Decimal(100_000)


def test_the_page_narrows_and_sorts() -> None:
    client = seen_by(person(Role.OWNER))
    assert "6 of" not in client.get("/lookback/").content.decode()
    for query, there, gone in (
        ({"van": "van-a"}, "/lookback/van-a/", "/lookback/van-b/"),
        ({"what": "DISC"}, f"/{DISC}/", f"/{PAD}/"),
    ):
        page = client.get("/lookback/", query).content.decode()
        assert there in page
        assert gone not in page
    for sort in views.SORTS:
        assert client.get("/lookback/", {"sort": sort, "weeks": "4"}).status_code == 200
    assert "Nothing of that kind" in client.get("/lookback/", {"what": "no such"}).content.decode()
    for odd in ({"weeks": "-1"}, {"weeks": "x"}, {"page": "99"}, {"sort": "'"}):
        assert client.get("/lookback/", odd).status_code == 200


def test_one_consumable_is_shown_week_by_week_with_its_chart() -> None:
    client = seen_by(person(Role.STOREKEEPER))
    page = client.get(f"/lookback/van-a/{DISC}/", {"weeks": "4"})
    text = page.content.decode()
    assert text.count("<tr>") == 1 + 4
    assert f"/lookback/chart/van-a/{DISC}/?weeks=4" in text
    drawn = client.get(f"/lookback/chart/van-a/{DISC}/", {"weeks": "4", "theme": "dark"})
    assert drawn["Content-Type"] == "image/svg+xml"
    assert b"2024-W" in drawn.content
    assert client.get("/lookback/van-a/no-such/").status_code == 404
    assert client.get(f"/lookback/depot/{DISC}/").status_code == 404


def test_a_technician_sees_the_own_van_only() -> None:
    ann = person(Role.TECHNICIAN, "ann-herself")
    Technician.objects.filter(code="ann").update(person=ann, van=Van.objects.get(place__code="van-a"))
    client = seen_by(ann)
    assert "/lookback/van-b/" not in client.get("/lookback/").content.decode()
    assert client.get(f"/lookback/van-a/{DISC}/").status_code == 200
    for path in (f"/lookback/van-b/{DISC}/", f"/lookback/chart/van-b/{DISC}/"):
        assert client.get(path).status_code == 404
    answer = client.get("/api/v1/lookback/").json()
    assert {row["van"] for row in answer["results"]} == {"van-a"}


def test_more_than_can_be_worked_out_at_once_asks_to_narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(views, "PAIRS_MAX", 3)
    client = seen_by(person(Role.OWNER))
    assert "Choose a van" in client.get("/lookback/").content.decode()
    assert f"/lookback/van-a/{COMPOUND}/" in client.get("/lookback/", {"van": "van-a"}).content.decode()


def test_the_api_gives_the_same_and_refuses_what_means_nothing() -> None:
    client = seen_by(person(Role.OWNER))
    answer = client.get("/api/v1/lookback/", {"van": "van-a", "consumable": DISC, "weeks": "4"}).json()
    (row,) = answer["results"]
    expected = rows()["van-a", DISC]
    assert Decimal(row["used"]) == expected.used
    assert [week["week"] for week in row["weeks"]] == [week.period for week in expected.weeks]
    assert row["weeks"][0]["recommended"] is None
    for bad in ({"weeks": "5"}, {"weeks": "x"}, {"vans": "van-a"}, {"sort": "lasted"}, {"page_size": "0"}):
        assert client.get("/api/v1/lookback/", bad).status_code == 400


def test_the_number_of_queries_does_not_grow_with_the_history() -> None:
    client = seen_by(person(Role.OWNER))

    def queries(path: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(path).status_code == 200
        return len(captured)

    paths = ("/lookback/?weeks=4", f"/lookback/van-a/{DISC}/?weeks=4", "/api/v1/lookback/?weeks=4")
    before = [queries(path) for path in paths]
    work("van-a", range(2, WEEKS), seed=1, recorded=moment(WEEKS))
    assert [queries(path) for path in paths] == before
