"""Returns and corrections of what jobs took: the job, its cost and the stock follow in one step."""

from dataclasses import replace
from decimal import Decimal

import pytest

from inventory.documents import Correction, Count, CountedLine, Return, StockLine, Transfer
from inventory.ledger import Conflict, Posting, Refused
from inventory.models import Document, Holding, RefusedDocument
from shop.costing.formulas import AMOUNTS
from shop.jobs import returns_and_corrections
from shop.models import Job, JobCost
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    amounts,
    assert_costs_follow_facts,
    at,
    close,
    correct,
    cost_of,
    export,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db
DAY = "2026-03-10 09:00"
CLOSE = ("close", "close-J-1")


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    pay("60")
    receive("R-1", "2026-03-01", (DISC, "10", "25"), (COMPOUND, "1000", "80"), (PAD, "10", "150"))


def held(consumable: str, place: str) -> Decimal:
    """Return what the book says a place holds."""
    held: Decimal = Holding.objects.get(consumable__code=consumable, place__code=place).quantity
    return held


def test_a_return_takes_its_value_off_the_job_and_counts_no_job() -> None:
    close("J-1", DAY, used(DISC, "4"), used(COMPOUND, "50"))
    answer = give_back("B-1", "2026-03-12", CLOSE, (DISC, "1"), (COMPOUND, "20"))
    assert answer.posted_at == at("2026-03-12")
    cost = JobCost.objects.get(document=answer.document_id)
    assert amounts(cost.materials, cost.wear, cost.labour, cost.revenue) == (Decimal("-4.1"), 0, 0, 0)
    assert cost.jobs == 0
    assert cost_of("J-1").materials == Decimal("9.9")
    assert held(DISC, "DEPOT") == 11
    assert_costs_follow_facts()


def test_a_returned_pad_leaves_the_wear_of_its_minutes() -> None:
    close("J-1", DAY, used(PAD, "1", "20"))
    give_back("B-1", "2026-03-12", CLOSE, (PAD, "1"))
    assert amounts(cost_of("J-1").wear, cost_of("J-1").materials) == (1, 0)


def test_a_return_of_a_further_use_counts_for_its_job() -> None:
    close("J-1", DAY)
    use_more("U-1", "J-1", used(DISC, "4"))
    give_back("B-1", "2026-03-12", ("use", "U-1"), (DISC, "4"))
    assert cost_of("J-1").materials == 0


def test_a_return_counts_once_and_no_more_comes_back_than_went() -> None:
    close("J-1", DAY, used(DISC, "4"))
    first = give_back("B-1", "2026-03-12", CLOSE, (DISC, "3"))
    assert give_back("B-1", "2026-03-12", CLOSE, (DISC, "3")) == replace(first, created=False)
    with pytest.raises(Refused, match=r"quantity 2 is more than the 1\S* left of close close-J-1"):
        give_back("B-2", "2026-03-12", CLOSE, (DISC, "2"))
    assert cost_of("J-1").materials == Decimal("2.5")
    assert JobCost.objects.count() == 2


@pytest.mark.django_db(transaction=True)
def test_a_return_and_a_correction_with_other_content_are_refused_and_kept() -> None:
    close("J-1", DAY, used(DISC, "4"))
    give_back("B-1", "2026-03-12", CLOSE, (DISC, "3"))
    with pytest.raises(Conflict):
        give_back("B-1", "2026-03-12", CLOSE, (DISC, "1"))
    correct("K-1", "return", "B-1")
    correct("K-2", "close", "close-J-1")
    with pytest.raises(Conflict):
        returns_and_corrections.post(Correction("K-2", NOW, *CLOSE, "another reason"), now=NOW)
    kept = RefusedDocument.objects.order_by("pk").values_list("kind", "client_id")
    assert list(kept) == [("return", "B-1"), ("correction", "K-2")]


def test_a_corrected_return_charges_the_job_again() -> None:
    close("J-1", DAY, used(DISC, "4"))
    give_back("B-1", "2026-03-12", CLOSE, (DISC, "3"))
    correct("K-1", "return", "B-1")
    assert cost_of("J-1").materials == 10
    assert held(DISC, "DEPOT") == 10
    assert Job.objects.get().status == "closed"
    assert_costs_follow_facts()


def test_a_close_with_returns_is_corrected_after_them() -> None:
    close("J-1", DAY, used(DISC, "4"))
    give_back("B-1", "2026-03-12", CLOSE, (DISC, "3"))
    with pytest.raises(Refused, match="has returns; correct those first"):
        correct("K-1", *CLOSE)
    assert Job.objects.get().status == "closed"
    correct("K-2", "return", "B-1")
    correct("K-1", *CLOSE)
    assert Job.objects.get().status == "booked"


def test_a_corrected_use_leaves_the_job_closed() -> None:
    close("J-1", DAY, used(DISC, "4"))
    use_more("U-1", "J-1", used(DISC, "2"), used(PAD, "0", "20"))
    correct("K-1", "use", "U-1")
    assert amounts(cost_of("J-1").materials, cost_of("J-1").wear) == (10, 0)
    assert Job.objects.get().status == "closed"
    assert_costs_follow_facts()


def test_a_second_correction_is_refused_and_a_retry_answered() -> None:
    close("J-1", DAY, used(DISC, "4"))
    first = correct("K-1", *CLOSE)
    assert correct("K-1", *CLOSE) == replace(first, created=False)
    with pytest.raises(Refused, match="was undone by correction K-1"):
        correct("K-2", *CLOSE)
    assert JobCost.objects.count() == 2


def test_what_was_undone_cannot_be_returned() -> None:
    close("J-1", DAY, used(DISC, "4"))
    correct("K-1", *CLOSE)
    with pytest.raises(Refused, match="was undone by correction K-1"):
        give_back("B-1", "2026-03-12", CLOSE, (DISC, "1"))


def test_a_correction_takes_back_all_amounts_to_the_last_digit() -> None:
    receive("R-2", "2026-03-02", (DISC, "3", "10"), (PAD, "7", "100"))
    answer = close("J-1", DAY, used(DISC, "7"), used(PAD, "1", "11"), price=Decimal("123.4567"))
    lock("2026-04-01")
    receive("R-3", "2026-03-05", (DISC, "3", "90"), (PAD, "1", "90"))
    undone = correct("K-1", *CLOSE)
    first, second = (
        JobCost.objects.get(document=pk) for pk in (answer.posting.document_id, undone.document_id)
    )
    assert (first.jobs, second.jobs) == (1, -1)
    for name in AMOUNTS:
        assert getattr(first, name) == -getattr(second, name)
    assert first.materials != 0
    assert first.wear != 0
    assert (first.posted_at, second.posted_at) == (at(DAY), at("2026-04-01"))
    assert_costs_follow_facts()


@pytest.mark.parametrize("kind", ["use", "return"])
def test_corrections_across_a_lock_post_in_the_open_month(kind: str) -> None:
    close("J-1", DAY, used(DISC, "4"))
    use_more("U-1", "J-1", used(DISC, "2"))
    give_back("B-1", "2026-03-12", CLOSE, (DISC, "1"))
    lock("2026-04-01")
    march = export("2026-03-01", "2026-03-31")
    if kind == "return":
        with pytest.raises(Refused, match="is in a locked period; post a further use of the job instead"):
            correct("K-1", "return", "B-1")
        assert use_more("U-2", "J-1", used(DISC, "1")).posted_at == at("2026-04-01")
        (april,) = export("2026-04-01", "2026-04-30")
        assert april["materials"] == "2.5000"
    else:
        assert correct("K-1", "use", "U-1").posted_at == at("2026-04-01")
        (april,) = export("2026-04-01", "2026-04-30")
        assert april["materials"] == "-5.0000"
    assert export("2026-03-01", "2026-03-31") == march
    assert_costs_follow_facts()


def test_documents_that_concern_no_job_go_to_the_ledger_as_they_are() -> None:
    def posted(document: Transfer | Count) -> Posting:
        return returns_and_corrections.post(document, now=NOW)

    assert posted(Transfer("T-1", at(DAY), "DEPOT", "VAN-1", (StockLine(DISC, Decimal(4)),))).created
    assert posted(Count("C-1", at("2026-03-11"), (CountedLine("VAN-1", DISC, Decimal(3)),))).created
    correct("K-1", "count", "C-1")
    correct("K-2", "receipt", "R-1")
    assert held(DISC, "VAN-1") == 4
    assert held(DISC, "DEPOT") == -4
    assert not JobCost.objects.exists()


@pytest.mark.parametrize(
    "document",
    [
        Return("B-1", at(DAY), "DEPOT", "close", "no\0where", (StockLine(DISC, Decimal(1)),)),
        Return("B-1", at(DAY), "DEPOT", "close", "nowhere", (StockLine(DISC, Decimal(1)),)),
        Return("B-1", at(DAY), "no-depot", "close", "close-J-1", (StockLine(DISC, Decimal(1)),)),
        Return("B-1", at(DAY), "DEPOT", "close", "close-J-1", (StockLine("no-disc", Decimal(1)),)),
        Return("B-1", at("2026-03-09"), "DEPOT", "close", "close-J-1", (StockLine(DISC, Decimal(1)),)),
        Return("B-1", at(DAY), "DEPOT", "close", "close-J-1", (StockLine(DISC, Decimal("NaN")),)),
        Return("B-1", at(DAY), "DEPOT", "close", "close-J-1", ()),
        Return("B-1", at(DAY), "DEPOT", "receipt", "R-1", (StockLine(DISC, Decimal(1)),)),
        Correction("K-1", NOW, "close", "nowhere", "why"),
        Correction("K-1", NOW, "clo\0se", "close-J-1", "why"),
        Correction("K-1", NOW, "close", "close-J-1", " "),
        Correction("", NOW, "close", "close-J-1", "why"),
    ],
)
def test_bad_input_is_refused_and_changes_nothing(document: Return | Correction) -> None:
    close("J-1", DAY, used(DISC, "4"))
    with pytest.raises(Refused):
        returns_and_corrections.post(document, now=NOW)
    assert Document.objects.exclude(kind="receipt").count() == 1
    assert Job.objects.get().status == "closed"
    assert_costs_follow_facts()
