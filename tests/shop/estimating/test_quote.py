"""An estimate from the shop's own jobs: what is read, what it costs today, its price and its doubts."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Consumable
from shop.estimating.prediction_intervals import LATEST_JOBS, Asked, Range
from shop.estimating.quote import Quote, QuoteTerms, quote
from shop.estimating.quote_warnings import DamageSeen, Reason
from shop.estimating.reference_jobs import latest_jobs
from shop.jobs.close_job import close_many
from shop.models import DamageType, GlassType, JobType, LabourRate, OverheadRate, StandardUse
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    PAD,
    at,
    charge_overhead,
    closing_of,
    correct,
    open_shop,
    pay,
    receive,
    used,
)

pytestmark = pytest.mark.django_db
TODAY = date(2026, 12, 1)
TERMS = QuoteTerms(Decimal(25), 2, lambda amount: f"{amount:.2f}", lambda length: f"{length} mm")
SCRATCH = Asked("scratch", "polish", "tempered")


@pytest.fixture(autouse=True)
def shop() -> None:
    """Open a shop with damage types and glass, a disc at 2, compound at 0.10 a ml and a pad at 30."""
    open_shop()
    for code in ("scratch", "scuff"):
        DamageType.objects.get_or_create(code=code)
    GlassType.objects.get_or_create(code="tempered")
    receive("R-1", "2026-01-05", (DISC, "100", "200"), (FINE_DISC, "100", "300"), (COMPOUND, "1000", "100"))
    receive("R-2", "2026-01-05", (PAD, "10", "300"))


def work(count: int, *uses: Any, first: int = 0, **changes: Any) -> None:
    """Close jobs an hour apart, each with an hour's labour unless told."""
    close_many(
        [
            closing_of(
                f"J-{number}", (at("2026-03-02") + timedelta(hours=number)).isoformat(), *uses, **changes
            )
            for number in range(first, first + count)
        ],
        now=NOW,
    )


def estimate(asked: Asked = SCRATCH, seen: DamageSeen = DamageSeen(), price: Decimal | None = None) -> Quote:  # noqa: B008
    """Return what is estimated today."""
    return quote(asked, seen, price, TERMS, TODAY)


def reasons(found: Quote) -> list[Reason]:
    """Return what the doubts are about."""
    return [doubt.reason for doubt in found.doubts]


def same(amount: str) -> Range:
    """Return the range of jobs that are all alike."""
    return Range(Decimal(amount), Decimal(amount), Decimal(amount))


def test_jobs_that_were_all_alike_are_expected_again_at_todays_costs() -> None:
    """By hand: 3 discs at 2 and 20 ml at 0.10 are 8; 30 of 300 minutes of a pad at 30 are 3; an hour at 40;
    60 minutes of overhead at 600 / 1200; 81 / 0.75 is 108.
    """
    pay("40")
    charge_overhead("600", "1200")
    work(20, used(DISC, "3", "25"), used(COMPOUND, "20"), used(PAD, "0", "30"))
    found = estimate()
    assert found.basis is not None
    assert len(found.basis.jobs) == 20
    assert [(line.label, line.amount, line.minutes) for line in found.discs] == [
        ("P400", same("3"), same("25"))
    ]
    assert [(line.unit, line.amount) for line in found.others] == [("ml", same("20"))]
    assert (found.minutes, found.other_minutes) == (same("60"), same("35"))
    assert found.costs == {
        "materials": same("8"),
        "wear": same("3"),
        "labour": same("40"),
        "overhead": same("30"),
    }
    assert (found.total, found.asking, found.asking_high) == (same("81"), Decimal(108), Decimal(108))


def test_it_costs_what_a_unit_and_an_hour_cost_today_not_what_they_did() -> None:
    pay("40")
    work(20, used(DISC, "3", "25"))
    receive("R-9", "2026-11-20", (DISC, "10", "50"))
    LabourRate.objects.create(effective_from=date(2026, 11, 1), per_hour=Decimal(60))
    LabourRate.objects.create(effective_from=date(2027, 1, 1), per_hour=Decimal(90))
    found = estimate()
    assert (found.costs["materials"], found.costs["labour"]) == (same("15"), same("60"))


def test_a_grade_that_few_jobs_take_is_told_as_none_to_some() -> None:
    work(15, used(DISC, "1", "8"))
    work(5, used(DISC, "2", "14"), used(FINE_DISC, "1", "9"), first=15)
    found = estimate()
    by_grade = {line.label: line.amount for line in found.discs}
    assert by_grade == {
        "P400": Range(Decimal(1), Decimal(1), Decimal(2)),
        "P1000": Range(Decimal(0), Decimal(0), Decimal(1)),
    }
    assert [line.label for line in found.discs] == ["P400", "P1000"]


def test_callbacks_and_undone_closes_say_nothing_of_new_work() -> None:
    work(20, used(DISC, "3", "25"))
    work(9, used(DISC, "1", "5"), first=20, callback_of="J-0", labour_minutes=Decimal(10))
    work(1, used(DISC, "50", "5"), first=29)
    correct("X-1", "close", "close-J-29")
    found = estimate()
    assert found.basis is not None
    assert len(found.basis.jobs) == 20
    assert found.discs[0].amount == same("3")
    assert found.minutes == same("60")


def test_without_jobs_the_standard_of_the_job_type_stands_without_an_interval() -> None:
    pay("60")
    polish = JobType.objects.get(code="polish")
    polish.list_price = Decimal(90)
    polish.save()
    for code, quantity in ((DISC, "1.5"), (COMPOUND, "30")):
        StandardUse.objects.create(
            job_type=polish, consumable_id=consumable(code), quantity=Decimal(quantity), minutes=Decimal(12)
        )
    work(8)
    found = estimate()
    assert found.basis is None
    assert found.discs[0].amount == Range(Decimal("1.5"))
    assert found.minutes == Range(Decimal(50))
    assert found.total == Range(Decimal(56))
    assert (found.asking, found.asking_high, found.price) == (Decimal("74.67"), None, Decimal(90))


def consumable(code: str) -> int:
    """Return a consumable's number."""
    return Consumable.objects.get(code=code).pk


def test_without_jobs_and_without_a_standard_nothing_is_known() -> None:
    for asked in (Asked("scratch"), Asked("scratch", "regrind"), Asked("never heard of")):
        JobType.objects.update(standard_minutes=0)
        found = estimate(asked)
        assert not found.is_known
        assert (found.discs, found.total, found.asking) == ((), None, None)


def test_an_unusual_share_that_came_to_nothing_is_a_doubt() -> None:
    work(20)
    work(10, first=20, outcome="not removable")
    assert Reason.OFTEN_LOST in reasons(estimate())


def test_a_few_that_came_to_nothing_are_told_but_no_doubt() -> None:
    work(20)
    work(1, first=20, outcome="abandoned")
    found = estimate()
    assert found.basis is not None
    assert (found.basis.lost.lost, found.basis.lost.jobs) == (1, 21)
    assert Reason.OFTEN_LOST not in reasons(found)


def test_what_was_seen_of_the_damage_makes_a_repair_doubtful() -> None:
    work(20)
    asked = Asked("scratch", "polish", "tempered", catches_fingernail=True)
    found = estimate(asked, DamageSeen(in_primary_view=True, existing_damage="A chip at the lower edge"))
    assert reasons(found) == [Reason.DEEP, Reason.PRIMARY_VIEW, Reason.DAMAGED_BEFORE]
    words = " ".join(doubt.words for doubt in found.doubts)
    assert "licensed practice decide" in words
    assert "A chip at the lower edge" in words
    assert reasons(estimate()) == []


def test_damage_longer_or_shorter_than_any_before_is_a_doubt() -> None:
    work(20, length_mm=Decimal(120))
    for length, reason in ((119, True), (120, False), (121, True)):
        found = estimate(Asked("scratch", length_mm=Decimal(length)))
        assert (Reason.UNSEEN_LENGTH in reasons(found)) is reason
    longer = estimate(Asked("scratch", length_mm=Decimal(500))).doubts[0].words
    assert "No similar job was longer than 120" in longer


def test_jobs_of_other_damage_stand_in_with_a_word_of_doubt() -> None:
    work(12)
    found = estimate(Asked("scuff"))
    assert found.basis is not None
    assert found.basis.alike_in == ()
    assert Reason.OTHER_WORK in reasons(found)


def test_a_price_is_held_against_cost_and_target() -> None:
    pay("60")
    work(16)
    work(4, first=16, labour_minutes=Decimal(90))
    found = estimate()
    assert found.total == Range(Decimal(60), Decimal(60), Decimal(90))
    assert (found.asking, found.asking_high) == (Decimal(80), Decimal(120))
    for price, expected in (
        ("59.99", [Reason.LOSES_MONEY, Reason.BELOW_TARGET]),
        ("60", [Reason.MAY_LOSE_MONEY, Reason.BELOW_TARGET]),
        ("80", [Reason.MAY_LOSE_MONEY]),
        ("90", []),
    ):
        assert reasons(estimate(price=Decimal(price))) == expected


def test_what_has_no_known_cost_is_named() -> None:
    Consumable.objects.create(code="NEW", name="New wax", kind="measured", stock_unit="ml")
    work(20, used("NEW", "5"))
    found = estimate()
    assert reasons(found) == [Reason.NO_COST_KNOWN]
    assert "New wax" in found.doubts[0].words
    Consumable.objects.filter(code="NEW").update(standard_cost=Decimal(2))
    assert estimate().costs["materials"] == same("10")


def test_it_asks_the_database_as_often_with_a_long_history_as_with_a_short_one() -> None:
    OverheadRate.objects.create(monthly_overhead=Decimal(600), capacity_minutes=Decimal(1200))
    work(20, used(DISC, "3", "25"), used(PAD, "0", "10"))

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            estimate()
        return len(captured)

    short = queries()
    work(300, used(DISC, "3", "25"), used(PAD, "0", "10"), used(COMPOUND, "5"), first=20)
    assert queries() == short <= 12


def test_it_reads_a_bounded_number_of_the_latest_jobs(monkeypatch: pytest.MonkeyPatch) -> None:
    assert LATEST_JOBS == 1000
    monkeypatch.setattr("shop.estimating.reference_jobs.LATEST_JOBS", 7)
    work(10)
    read = latest_jobs("scratch")
    assert [job.key for job in read] == sorted((job.key for job in read), reverse=True)
    assert len(read) == 7
