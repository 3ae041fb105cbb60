"""Small histories of one van, whose weeks are counted by hand: what ran out, what came, what was used."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.utils import timezone

from forecasting.models import Restock, RestockStatus
from forecasting.policy_review.queries import ReviewRow, in_use, look_back, visible_to, weeks_back
from forecasting.replenishment import pick_ship_receive
from forecasting.replenishment.drafts import week_of
from inventory import ledger
from inventory.documents import Correction, Count, CountedLine, DocumentKind, Receipt, ReceiptLine
from inventory.models import Consumable, Place
from shop.jobs.close_data import UsedLine
from shop.jobs.close_job import close_many
from shop.models import Person, Role
from tests.forecasting.burn_shop import COMPOUND, DISC, MONDAY, PAD, bring, closing, moment
from tests.forecasting.restock_shop import forecast
from tests.shop.job_shop import open_job_shop
from tests.shop.world import amounts

pytestmark = pytest.mark.django_db
WEEKS = 13
NOW = datetime.combine(MONDAY, datetime.min.time(), UTC) + timedelta(weeks=WEEKS)
WEDNESDAY, THURSDAY, FRIDAY = 2, 3, 4


@pytest.fixture(autouse=True)
def shop(monkeypatch: pytest.MonkeyPatch) -> None:
    """Open the shop with a full depot; it is the Monday after WEEKS weeks."""
    open_job_shop()
    lines = tuple(ReceiptLine(code, Decimal(10_000), Decimal(100)) for code in (DISC, COMPOUND, PAD))
    ledger.post(Receipt("R-1", moment(-20), "maker", "depot", lines), now=moment(-20))
    monkeypatch.setattr(timezone, "now", lambda: NOW)


def use(job: str, when: datetime, consumable: str, quantity: int, minutes: int = 0) -> None:
    line = UsedLine(consumable, Decimal(quantity), Decimal(minutes))
    close_many([closing(job, "van-a", when, (line,))], now=when)


def row(consumable: str = DISC, van: str = "van-a") -> ReviewRow:
    owner, _ = Person.objects.get_or_create(username="olga", defaults={"role": Role.OWNER})
    span = weeks_back(WEEKS, NOW)
    held = in_use(visible_to(owner), span).filter(place__code=van, consumable__code=consumable)
    return look_back(list(held), span, NOW)[0]


def test_what_is_brought_each_week_and_never_used_never_runs_out() -> None:
    for week in range(WEEKS):
        bring(f"T-{week}", "van-a", moment(week, WEDNESDAY), (DISC, 5))
    found = row()
    assert amounts(found.received, found.used) == (13 * 5, 0)
    assert [week.received for week in found.weeks] == [5] * 13
    # It was aboard in each week, from Wednesday of the first on.
    assert (found.counted, found.ran_out, found.lasted) == (13, 0, 1.0)
    assert not found.under_target


def test_what_is_held_throughout_and_never_used_never_runs_out() -> None:
    bring("T-0", "van-a", moment(-10), (DISC, 4))
    found = row()
    assert (found.counted, found.ran_out, found.lasted) == (13, 0, 1.0)
    assert amounts(found.received, found.average) == (0, 4)


def test_what_went_back_to_the_depot_unused_has_not_run_out() -> None:
    bring("T-0", "van-a", moment(-10), (DISC, 4))
    found = CountedLine("van-a", DISC, Decimal(0))
    ledger.post(Count("N-1", moment(0, WEDNESDAY), (found,)), now=moment(0, WEDNESDAY))
    assert (row().counted, row().ran_out) == (1, 0)


def test_what_jobs_took_the_last_of_ran_out_until_more_came() -> None:
    bring("T-0", "van-a", moment(0), (DISC, 6))
    use("J-1", moment(1, FRIDAY), DISC, 2)
    use("J-2", moment(2, FRIDAY), DISC, 4)  # the last
    bring("T-4", "van-a", moment(4, WEDNESDAY), (DISC, 6))
    use("J-3", moment(4, THURSDAY), DISC, 1)
    found = row()
    # In the weeks 2, 3 and 4; before it came first, in week 0, nobody had wanted it.
    assert [number for number, week in enumerate(found.weeks) if week.ran_out] == [2, 3, 4]
    assert (found.counted, found.ran_out) == (13, 3)
    assert amounts(found.used, found.received) == (7, 12)
    assert found.lasted == pytest.approx(10 / 13)
    assert found.under_target


def test_what_nobody_wants_any_more_has_run_out_for_eight_weeks_only() -> None:
    bring("T-0", "van-a", moment(0), (DISC, 2))
    use("J-1", moment(1, FRIDAY), DISC, 2)
    found = row()
    # From Friday of week 1 up to Friday of week 9.
    assert [number for number, week in enumerate(found.weeks) if week.ran_out] == list(range(1, 10))
    assert found.counted == 10


def test_a_use_before_the_weeks_still_wants_some_in_them() -> None:
    bring("T-0", "van-a", moment(-9), (DISC, 2))
    use("J-1", moment(-3, FRIDAY), DISC, 2)
    found = row()
    # From Friday of week -3 up to Friday of week 5.
    assert [number for number, week in enumerate(found.weeks) if week.ran_out] == list(range(6))


def test_a_book_below_nothing_ran_out_where_jobs_used_it() -> None:
    use("J-1", moment(2, FRIDAY), DISC, 3)
    bring("T-3", "van-a", moment(3), (DISC, 10))
    assert [number for number, week in enumerate(row().weeks) if week.ran_out] == [2, 3]


def test_the_pad_on_the_machine_is_not_missing() -> None:
    bring("T-0", "van-a", moment(0), (PAD, 1))
    use("J-0", moment(0, FRIDAY), PAD, 1, minutes=20)
    for week in range(1, WEEKS):
        use(f"J-{week}", moment(week, FRIDAY), PAD, 0, minutes=20)
    found = row(PAD)
    assert amounts(found.received, found.used) == (1, 1)
    assert found.ran_out == 0
    # Two were taken where one was brought.
    use("J-more", moment(5, FRIDAY, hour=12), PAD, 1, minutes=20)
    assert [number for number, week in enumerate(row(PAD).weeks) if week.ran_out] == list(range(5, 13))


def test_received_is_all_that_came_and_was_not_undone() -> None:
    bring("T-0", "van-a", moment(1), (DISC, 5))
    line = (ReceiptLine(DISC, Decimal(7), Decimal(7)),)
    ledger.post(Receipt("R-2", moment(1, FRIDAY), "maker", "van-a", line), now=moment(2))
    bring("T-wrong", "van-a", moment(1), (DISC, 100))
    undo = Correction("X-1", moment(2), DocumentKind.TRANSFER, "T-wrong", "was another van")
    ledger.post(undo, now=moment(2))
    bring("T-b", "van-b", moment(1), (DISC, 50))
    # What a count finds did not come, and what goes on to another van still had.
    found = CountedLine("van-a", DISC, Decimal(20))
    ledger.post(Count("N-1", moment(3), (found,)), now=moment(3))
    assert [week.received for week in row().weeks[:4]] == [0, 12, 0, 0]
    assert row(van="van-b").received == 50


def restock_with(quantity: int) -> Restock:
    """Make an approved restock of the first week."""
    restock = Restock.objects.create(
        van=Place.objects.get(code="van-a"),
        depot=Place.objects.get(code="depot"),
        period=week_of(MONDAY),
        run=forecast({}),
        status=RestockStatus.APPROVED,
        inputs={},
        made_at=moment(0),
    )
    zeros = ("on_hand", "on_the_way", "booked_need", "median", "high", "order_up_to", "unit_cost")
    restock.lines.create(
        consumable=Consumable.objects.get(code=DISC),
        service_class="A",
        service=Decimal("0.95"),
        wanted=Decimal(quantity),
        suggested=Decimal(quantity),
        approved=Decimal(quantity),
        why="a test",
        **dict.fromkeys(zeros, Decimal(0)),
    )
    return restock


def test_a_restock_is_received_when_it_is_confirmed_and_not_when_that_is_taken_back() -> None:
    restock = restock_with(9)
    pick_ship_receive.pick(restock.pk, by="sue", now=moment(0, WEDNESDAY))
    assert row_or_nothing() == 0
    pick_ship_receive.confirm(restock.pk, {DISC: Decimal(8)}, by="ann", now=moment(1))
    assert [week.received for week in row().weeks[:3]] == [0, 8, 0]
    pick_ship_receive.take_confirmation_back(restock.pk, by="sue", now=moment(1, FRIDAY))
    assert row().received == 0


def row_or_nothing() -> Decimal:
    try:
        return row().received
    except IndexError:
        return Decimal(0)


def test_page_and_api_say_the_same(client: Client) -> None:
    bring("T-0", "van-a", moment(0), (DISC, 5), (PAD, 1))
    use("J-1", moment(1, FRIDAY), DISC, 5)
    row()
    client.force_login(Person.objects.get(username="olga"))
    page = client.get(f"/lookback/van-a/{DISC}/").content.decode()
    assert page.count('<span class="tag">ran out</span>') == 9
    (answer,) = client.get("/api/v1/lookback/", {"consumable": DISC}).json()["results"]
    assert sum(week["ran_out"] for week in answer["weeks"]) == 9
    assert Decimal(answer["received"]) == 5
    assert "more had been taken" in client.get(f"/lookback/van-a/{PAD}/").content.decode()
