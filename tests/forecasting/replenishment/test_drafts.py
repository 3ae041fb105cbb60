"""Drafting the vans' restocks of a week: facts, the same period twice, older drafts, settings, queries."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from forecasting.draft_requirements import CannotDraftError
from forecasting.models import (
    ConsumableTerms,
    ForecastRun,
    Restock,
    RestockEvent,
    RestockLine,
    RestockStatus,
    StockingTerms,
    VanSpace,
)
from forecasting.replenishment.drafts import draft_restocks
from forecasting.replenishment.inputs import gather
from inventory.models import Consumable, Holding, Place, PlaceKind
from shop.models import DamageType, GlassType, Job, JobStatus, JobType, StandardUse, Van
from tests.forecasting.restock_shop import (
    COMPOUND,
    DISC,
    NEXT_WEEK,
    NOW,
    PAD,
    VANS,
    WEEK,
    draft,
    forecast,
    line,
    open_restock_shop,
)
from tests.inventory.small_shop import count, receive
from tests.shop.job_shop import close
from tests.shop.world import amounts, used

pytestmark = pytest.mark.django_db
BURN = (1, 4, 6, 9, 11, 12, 14, 15)


@pytest.fixture(autouse=True)
def restock_shop() -> None:
    """Start with a shop whose vans are filled on the day of the draft, so that a week is to last."""
    open_restock_shop()
    StockingTerms.objects.update(van_lead_days=0)


def both_burn(*consumables: str) -> ForecastRun:
    """Return a forecast of the same burn of consumables on both vans."""
    return forecast({(van, consumable): BURN for van in VANS for consumable in consumables})


def settle(consumable: str, **fields: Any) -> None:
    """Say how a consumable is held."""
    ConsumableTerms.objects.create(consumable=Consumable.objects.get(code=consumable), **fields)


def book(reference: str, on: date, van: str = "van-a", status: str = JobStatus.BOOKED) -> None:
    """Book a job whose standard use is 10 discs."""
    job_type, _ = JobType.objects.get_or_create(code="booked")
    disc = Consumable.objects.get(code=DISC)
    StandardUse.objects.get_or_create(job_type=job_type, consumable=disc, defaults={"quantity": Decimal(10)})
    Job.objects.create(
        reference=reference,
        van=Van.objects.get(place__code=van),
        job_type=job_type,
        damage_type=DamageType.objects.get_or_create(code="scratch")[0],
        glass=GlassType.objects.get_or_create(code="tempered")[0],
        booked_for=on,
        status=status,
    )


def test_a_draft_keeps_what_was_known_what_is_suggested_and_why() -> None:
    restock = draft(both_burn(DISC))["van-a"]
    assert (restock.status, restock.depot.code, restock.period) == ("draft", "depot", WEEK)
    # Nothing was used yet, so the disc is of class C: 0.9, which is 11. On board are 5 of 2.50 each.
    found = line(restock)
    assert (found.service_class, found.service) == ("C", Decimal("0.9"))
    assert amounts(found.on_hand, found.on_the_way, found.booked_need) == (5, 0, 0)
    assert amounts(found.median, found.high, found.order_up_to) == (6, 12, 11)
    assert amounts(found.wanted, found.suggested, found.unit_cost, found.value) == (6, 6, Decimal("2.5"), 15)
    # 11 discs at 6 a week last 12.8333 days.
    assert found.cover_days == Decimal("12.8333")
    assert found.why == "11 cover the next 7 days in 90 of 100 cases; with 5 on board, 6 are missing."
    assert [event.what for event in restock.events.all()] == ["drafted"]
    assert restock.inputs["interval_days"] == 7


def test_review_and_lead_time_make_the_interval() -> None:
    StockingTerms.objects.update(van_lead_days=7)
    # Two weeks burn twice as much here.
    assert line(draft(both_burn(DISC))["van-a"]).order_up_to == 22


def test_the_same_period_again_changes_nothing() -> None:
    run = both_burn(DISC)
    first = draft(run)
    receive("R-late", 3, (DISC, "100", "250"), place="van-a")
    assert draft(both_burn(DISC)) == first
    assert line(first["van-a"]).on_hand == 5
    assert RestockEvent.objects.count() == Restock.objects.count() == 2


def test_older_drafts_are_superseded_but_what_was_approved_is_counted() -> None:
    run = both_burn(DISC)
    first = draft(run)
    Restock.objects.filter(pk=first["van-b"].pk).update(status=RestockStatus.APPROVED)
    RestockLine.objects.filter(restock=first["van-b"]).update(approved=Decimal(8))
    second = draft(run, NEXT_WEEK, NOW + timedelta(days=7))
    statuses = dict(Restock.objects.filter(period=WEEK).values_list("van__code", "status"))
    assert statuses == {"van-a": "cancelled", "van-b": "approved"}
    event = first["van-a"].events.last()
    assert event is not None
    assert (event.what, event.details) == ("superseded", {"by_period": NEXT_WEEK})
    assert line(second["van-a"]).wanted == 6
    assert amounts(line(second["van-b"]).on_the_way, line(second["van-b"]).wanted) == (8, 3)


def test_what_is_promised_is_not_given_again() -> None:
    run = both_burn(DISC)
    count("N-1", 3, "depot", DISC, "10")
    first = draft(run)
    assert sum(line(restock).suggested for restock in first.values()) == 10
    Restock.objects.filter(pk=first["van-b"].pk).update(status=RestockStatus.APPROVED)
    RestockLine.objects.filter(restock=first["van-b"]).update(approved=Decimal(8))
    # 2 of 10 are left, for van-a's 6 and the 3 that van-b still wants.
    second = draft(run, NEXT_WEEK)
    assert sum(line(restock).suggested for restock in second.values()) == 2


def test_a_van_that_is_new_in_the_week_gets_what_the_others_left() -> None:
    run = both_burn(DISC)
    count("N-1", 3, "depot", DISC, "20")
    draft(run)
    new = Place.objects.create(code="van-c", kind=PlaceKind.VAN)
    Van.objects.create(place=new)
    restocks = draft(forecast({(van, DISC): BURN for van in (*VANS, "van-c")}))
    # van-a was given 6 and van-b 11 of 20.
    assert line(restocks["van-c"]).suggested == 3
    assert line(restocks["van-a"]).suggested == 6


def test_an_earlier_week_is_not_drafted_after_a_later_one() -> None:
    run = both_burn(DISC)
    draft(run, NEXT_WEEK)
    assert draft(run, WEEK) == {}


def test_a_van_that_burns_nothing_gets_no_draft() -> None:
    assert list(draft(forecast({("van-b", DISC): BURN}))) == ["van-b"]
    assert draft(forecast({("van-a", DISC): (0,) * 8}), NEXT_WEEK) == {}


def test_a_negative_book_alone_is_shown() -> None:
    count("N-1", 3, "van-a", DISC, "0")
    close("J-1", 4, used(PAD, "2", "10"))
    found = line(draft(both_burn(DISC))["van-a"], PAD)
    assert amounts(found.on_hand, found.wanted) == (-2, 0)
    assert "owes 2" in found.why


def test_services_by_class_and_where_a_consumable_has_its_own() -> None:
    close("J-1", 4, used(DISC, "40"), used(COMPOUND, "100"), used(PAD, "1", "10"))
    # 100, 3 and 40 were used: the disc is A, the pad brings 140 of 143 and is B, compound is C.
    settle(PAD, stops_a_job=True)
    settle(COMPOUND, service=Decimal("0.75"))
    restock = draft(both_burn(DISC, COMPOUND, PAD))["van-a"]
    found = {
        row.consumable.code: (row.service_class, row.service, row.order_up_to) for row in restock.lines.all()
    }
    assert found == {
        DISC: ("A", Decimal("0.95"), Decimal(12)),
        PAD: ("stops a job", Decimal("0.98"), Decimal(14)),
        COMPOUND: ("C", Decimal("0.75"), Decimal(9)),
    }


def test_room_and_usable_units_come_from_the_settings() -> None:
    settle(COMPOUND, usable_unit=Decimal(250))
    VanSpace.objects.create(
        place=Place.objects.get(code="van-a"),
        consumable=Consumable.objects.get(code=DISC),
        quantity=Decimal(8),
    )
    restock = draft(both_burn(DISC, COMPOUND))["van-a"]
    assert amounts(line(restock).wanted, line(restock).room) == (3, 8)
    assert amounts(line(restock, COMPOUND).wanted, line(restock, COMPOUND).usable_unit) == (250, 250)


def test_booked_jobs_of_the_interval_count_and_others_do_not() -> None:
    today = NOW.date()
    book("in", today)
    book("last day", today + timedelta(days=6))
    book("late", today - timedelta(days=14))
    book("forgotten", today - timedelta(days=15))
    book("after", today + timedelta(days=7))
    book("other van", today, "van-b")
    book("off", today, status=JobStatus.CANCELLED)
    restocks = draft(both_burn(DISC))
    # Three jobs of 10 discs; the standard has no deviation.
    found = line(restocks["van-a"])
    assert amounts(found.booked_need, found.order_up_to, found.wanted) == (30, 30, 25)
    assert found.why.startswith("3 booked jobs take no more than 30 in")
    assert line(restocks["van-b"]).order_up_to == 11


def test_what_jobs_of_the_service_took_counts_more_than_its_standard() -> None:
    for number, discs in enumerate(("2", "4", "6", "8", "10")):
        close(f"J-{number}", 4 + number, used(DISC, discs), van="van-b")
    Job.objects.update(job_type=JobType.objects.get_or_create(code="booked")[0])
    for number in range(4):
        book(f"B-{number}", NOW.date())
    found = line(draft(forecast({("van-a", DISC): (0,) * 8}))["van-a"])
    # The mean is 6, the variance 8: four jobs take 24 with a deviation of 5.657. All value used is of
    # the disc, so it is A: 24 + 1.6449 x 5.657 = 33.3.
    assert amounts(found.booked_need, found.order_up_to) == (24, 34)


def test_what_cannot_be_drafted_says_why() -> None:
    run = both_burn(DISC)
    with pytest.raises(ValueError, match="ISO week"):
        draft_restocks(run, "2026-11-25", by="", now=NOW)
    for period in ("2026-W00", "2026-W54", "2026-W1"):
        with pytest.raises(ValueError, match="ISO week"):
            draft_restocks(run, period, by="", now=NOW)
    second = Place.objects.create(code="shed", kind=PlaceKind.DEPOT)
    with pytest.raises(CannotDraftError, match="depot and shed could fill"):
        draft(run)
    StockingTerms.objects.update(restock_from=second)
    assert line(draft(run)["van-a"]).suggested == 0
    run.finished_at = None
    with pytest.raises(CannotDraftError, match="not finished"):
        draft(run, NEXT_WEEK)


def test_without_a_depot_the_remedy_is_named() -> None:
    run = both_burn(DISC)
    Place.objects.filter(kind=PlaceKind.DEPOT).update(kind=PlaceKind.VAN)
    with pytest.raises(CannotDraftError, match="no depot"):
        draft(run)
    assert not Restock.objects.exists()


def _vans(number: int) -> list[Place]:
    """Return so many vans, each with a booked job, a disc, and room for some."""
    for index in range(Place.objects.filter(kind=PlaceKind.VAN).count(), number):
        place = Place.objects.create(code=f"van-{index:02}", kind=PlaceKind.VAN)
        Van.objects.create(place=place)
        Holding.objects.create(place=place, consumable=Consumable.objects.get(code=DISC), quantity=Decimal(1))
        book(f"B-{index}", NOW.date(), place.code)
    return list(Place.objects.filter(kind=PlaceKind.VAN))


def test_facts_take_as_many_queries_for_20_vans_as_for_2() -> None:
    book("B-a", NOW.date())
    counts = {}
    for number in (2, 20):
        vans = _vans(number)
        for van in vans:
            receive(f"R-{van.code}-{number}", 3, (DISC, "2", "5"), place=van.code, expires_on="2026-03-04")
        run = forecast({(van.code, consumable): BURN for van in vans for consumable in (DISC, COMPOUND, PAD)})
        terms = StockingTerms.objects.get()
        with CaptureQueriesContext(connection) as queries:
            gathered = gather(run, vans, Place.objects.get(code="depot"), terms, period=WEEK, now=NOW)
        assert len(gathered.facts) == 3 * number
        counts[number] = len(queries)
    assert counts[20] == counts[2]
    assert counts[2] <= 21


def test_lots_that_expire_are_restocked_from_what_the_depot_has_fresh() -> None:
    # NOW is 2 March. Of 25 discs on van-a 20 expired the day before, and the 5 keep forever.
    receive("R-old", 3, (DISC, "20", "50"), place="van-a", expires_on="2026-03-01")
    receive("R-today", 3, (DISC, "20", "50"), place="van-b", expires_on="2026-03-02")
    receive("R-depot", 4, (PAD, "6", "240"), expires_on="2026-03-01")
    restocks = draft(both_burn(DISC, PAD))
    found = line(restocks["van-a"])
    assert amounts(found.on_hand, found.wanted) == (25, 6)
    assert found.why == (
        "11 cover the next 7 days in 90 of 100 cases; with 25 on board (20 expired), 6 are missing."
    )
    # On its last day a lot is still good: 6 a week are 0.86 of a disc, and what is begun is used up.
    assert line(restocks["van-b"]).why == (
        "11 cover the next 7 days in 90 of 100 cases; with 20 on board (20 will expire unused), "
        "11 are missing."
    )
    # Of 16 pads in the depot 10 are fresh.
    pads = [line(restocks[van], PAD) for van in VANS]
    assert [pad.wanted for pad in pads] == [11, 11]
    assert sum(pad.suggested for pad in pads) == 10
    assert "the depot has 10 for all vans (6 there expired), 5 of it for this one" in pads[0].why
