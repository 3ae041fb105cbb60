"""Callbacks: chains lead to their first job, circles are refused, and the original bears the cost."""

from decimal import Decimal

import pytest

from inventory.ledger import Refused
from shop.jobs.close_job import close_many
from shop.models import Job
from shop.profitability.margins import margin_report
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    book,
    close,
    closing_of,
    correct,
    open_shop,
    pay,
    receive,
    used,
)

pytestmark = pytest.mark.django_db
DAY = "2026-03-10 09:00"


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    receive("R-1", "2026-03-01", (DISC, "100", "250"), (COMPOUND, "1000", "80"), (PAD, "10", "150"))


def original(job: str) -> str | None:
    found = Job.objects.select_related("original").get(reference=job).original
    return found.reference if found else None


def test_a_chain_of_callbacks_leads_to_the_first_job() -> None:
    close("A", DAY)
    close("B", DAY, callback_of="A", price=Decimal(0))
    close("C", DAY, callback_of="B", price=Decimal(0))
    assert (original("A"), original("B"), original("C")) == (None, "A", "A")


def test_a_chain_may_come_in_one_batch_in_any_order() -> None:
    close_many(
        [
            closing_of("C", DAY, callback_of="B"),
            closing_of("A", DAY),
            closing_of("D", DAY, callback_of="C"),
            closing_of("B", DAY, callback_of="A"),
        ],
        now=NOW,
    )
    assert [original(job) for job in "ABCD"] == [None, "A", "A", "A"]


def test_a_link_that_closes_after_its_callbacks_takes_them_along() -> None:
    close("A", DAY)
    book("B")
    close("C", DAY, callback_of="B")
    close("D", DAY, callback_of="C")
    assert (original("C"), original("D")) == ("B", "B")
    close("B", DAY, callback_of="A")
    assert (original("B"), original("C"), original("D")) == ("A", "A", "A")


def test_a_close_that_named_the_wrong_original_is_corrected() -> None:
    close("A", DAY)
    close("X", DAY)
    close("B", DAY, callback_of="X")
    close("C", DAY, callback_of="B")
    correct("K-1", "close", "close-B")
    assert (original("B"), original("C")) == (None, "B")
    close("B", DAY, callback_of="A", id="again")
    assert (original("B"), original("C")) == ("A", "A")
    correct("K-2", "close", "again")
    close("B", DAY, id="no callback after all")
    assert (original("B"), original("C")) == (None, "B")


def test_a_job_booked_as_a_callback_stays_one() -> None:
    close("A", DAY)
    book("B", callback_of=Job.objects.get(reference="A"))
    close("B", DAY)
    assert original("B") == "A"


@pytest.mark.parametrize("length", [2, 3, 5])
def test_callbacks_in_a_circle_are_refused(length: int) -> None:
    jobs = [f"J-{number}" for number in range(length)]
    circle = [
        closing_of(job, DAY, callback_of=jobs[(number + 1) % length]) for number, job in enumerate(jobs)
    ]
    with pytest.raises(Refused, match="comes back to the job itself") as refused:
        close_many([*circle, closing_of("outside", DAY, callback_of=jobs[0])], now=NOW)
    assert {document.id for document, _ in refused.value.problems} == {close.id for close in circle}


def test_a_circle_over_stored_jobs_is_refused() -> None:
    close("A", DAY)
    close("B", DAY, callback_of="A")
    close("C", DAY, callback_of="B")
    correct("K-1", "close", "close-A")
    with pytest.raises(Refused, match="callback_of C comes back"):
        close("A", DAY, callback_of="C", id="again")


def test_lifetime_margin_moves_the_cost_of_a_callback_and_keeps_the_total() -> None:
    pay("60")
    close("A", DAY, used(DISC, "4"), damage_type="scratch")
    close("B", DAY, used(DISC, "2"), damage_type="scuff", price=Decimal(0), callback_of="A")
    close("C", DAY, damage_type="other", price=Decimal(0), callback_of="B")
    plain = {group.label: group for group in margin_report("damage_type")}
    lifetime = {group.label: group for group in margin_report("damage_type", lifetime=True)}
    assert set(plain) == {"scratch", "scuff", "other"}
    assert set(lifetime) == {"scratch"}
    # 200 less 10 of discs and 90 of labour and travel; the callbacks 5 + 90 and 90.
    assert [plain[label].margin for label in ("scratch", "scuff", "other")] == [100, -95, -90]
    assert lifetime["scratch"].margin == -85
    assert lifetime["scratch"].jobs == 3
    assert sum(group.margin for group in plain.values()) == lifetime["scratch"].margin
    assert [group.label for group in margin_report("job", lifetime=True)] == ["A"]


def test_a_callback_in_a_later_month_counts_in_the_month_of_its_original() -> None:
    pay("60")
    close("A", DAY)
    close("B", "2026-05-02", price=Decimal(0), callback_of="A")
    assert {group.label: group.margin for group in margin_report("month")} == {
        "2026-03": Decimal(110),
        "2026-05": Decimal(-90),
    }
    assert {group.label: group.margin for group in margin_report("month", lifetime=True)} == {
        "2026-03": Decimal(20)
    }


def test_an_abandoned_job_lowers_the_margin_of_its_damage_type() -> None:
    pay("60")
    close("A", DAY)
    close("B", DAY, used(DISC, "4"), outcome="abandoned", price=Decimal(0))
    (group,) = margin_report("damage_type")
    assert (group.label, group.jobs, group.revenue, group.margin) == ("scratch", 2, Decimal(200), Decimal(10))
