"""Closes that were undone: the job is open again, and closes under a new id."""

from decimal import Decimal

import pytest

from inventory.ledger import Refused
from inventory.models import Holding
from shop.models import Job
from shop.profitability.margins import margin_report
from tests.shop.world import (
    COMPOUND,
    DISC,
    PAD,
    assert_costs_follow_facts,
    at,
    close,
    correct,
    cost_of,
    export,
    lock,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db
DAY = "2026-03-10 09:00"


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    receive("R-1", "2026-03-01", (DISC, "100", "250"), (COMPOUND, "1000", "80"), (PAD, "10", "150"))


def test_a_corrected_close_opens_the_job_and_takes_everything_back() -> None:
    pay("60")
    close("J-1", DAY, used(DISC, "4"), used(PAD, "1", "20"))
    answer = correct("K-1", "close", "close-J-1")
    assert answer.created
    job = Job.objects.get()
    assert (job.status, job.outcome, job.closed_at) == ("booked", "", None)
    zero = cost_of("J-1")
    assert {zero.revenue, zero.materials, zero.wear, zero.labour, zero.travel, zero.overhead} == {0}
    assert Holding.objects.get(place__code="VAN-1", consumable__code=DISC).quantity == 0
    assert export() == []
    assert margin_report("damage_type") == []
    assert_costs_follow_facts()


def test_a_job_closes_anew_under_a_new_id() -> None:
    close("J-1", DAY, used(DISC, "4"))
    correct("K-1", "close", "close-J-1")
    close("J-1", DAY, used(DISC, "5"), id="again", van="VAN-2", price=Decimal(180))
    (row,) = export()
    assert (row["job"], row["van"], row["revenue"], row["materials"]) == (
        "J-1",
        "VAN-2",
        "180.0000",
        "12.5000",
    )
    (group,) = margin_report("van")
    assert (group.label, group.jobs, group.margin) == ("VAN-2", 1, Decimal("167.5"))
    assert_costs_follow_facts()


def test_a_correction_across_a_lock_posts_in_the_open_month_and_leaves_the_locked_one() -> None:
    pay("60")
    close("J-1", DAY, used(DISC, "4"), used(PAD, "1", "20"))
    close("J-2", "2026-03-12", used(DISC, "2"))
    lock("2026-04-01")
    march = export("2026-03-01", "2026-03-31")
    by_van = margin_report("van", at("2026-03-01").date(), at("2026-03-31").date())
    receive("R-2", "2026-04-02", (DISC, "100", "900"), (PAD, "1", "60"))
    assert correct("K-1", "close", "close-J-1").posted_at == at("2026-04-01")
    close(
        "J-1",
        "2026-03-11",
        used(DISC, "5"),
        id="again",
        van="VAN-2",
        technician="bo",
        job_type="regrind",
        damage_type="other",
        glass="coated",
        outcome="reduced",
        callback_of="J-2",
    )
    assert export("2026-03-01", "2026-03-31") == march
    assert margin_report("van", at("2026-03-01").date(), at("2026-03-31").date()) == by_van
    back, again = export("2026-04-01", "2026-04-30")
    assert {**back, "closed_at": ""} == {
        **march[0],
        "closed_at": "",
        **{name: f"-{march[0][name]}" for name in ("revenue", "materials", "wear", "labour", "travel")},
        "contribution": f"-{march[0]['contribution']}",
        "margin": f"-{march[0]['margin']}",
    }
    assert (again["job"], again["van"], again["technician"], again["callback_of"]) == (
        "J-1",
        "VAN-2",
        "bo",
        "J-2",
    )
    assert again["closed_at"] == "2026-03-11T00:00:00+00:00"
    assert_costs_follow_facts()


def test_a_close_with_further_uses_is_corrected_from_the_last_to_the_first() -> None:
    close("J-1", DAY)
    use_more("U-1", "J-1", used(DISC, "4"))
    with pytest.raises(Refused, match="has further uses U-1; correct those first"):
        correct("K-1", "close", "close-J-1")
    correct("K-2", "use", "U-1")
    correct("K-1", "close", "close-J-1")
    close("J-1", DAY, id="again")
    use_more("U-2", "J-1", used(DISC, "3"))
    # The retry of the correction is answered though other uses stand now.
    assert not correct("K-1", "close", "close-J-1").created
    assert cost_of("J-1").materials == Decimal("7.5")
    assert Job.objects.get().status == "closed"
