"""Further uses of a closed job: they cost it at the time of its close, and count once."""

from dataclasses import replace
from decimal import Decimal

import pytest

from inventory.ledger import Conflict, Refused
from inventory.models import Document, Holding, RefusedDocument
from shop.jobs.additional_usage import add_uses_many
from shop.jobs.close_data import JobUses
from shop.models import JobCost
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    assert_costs_follow_facts,
    at,
    book,
    close,
    correct,
    cost_of,
    open_shop,
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


def test_further_uses_cost_the_job_at_the_time_of_its_close() -> None:
    close("J-1", DAY, used(DISC, "4"))
    more = use_more("U-1", "J-1", used(COMPOUND, "50"), used(PAD, "0", "30"))
    assert (more.created, more.posted_at) == (True, at(DAY))
    assert cost_of("J-1").materials == 14
    assert cost_of("J-1").wear == Decimal("1.5")
    assert JobCost.objects.get(document=more.document_id).jobs == 0
    assert_costs_follow_facts()


def test_further_uses_count_once() -> None:
    close("J-1", DAY)
    first = use_more("U-1", "J-1", used(DISC, "4"))
    again = use_more("U-1", "J-1", used(DISC, "4"))
    assert again == replace(first, created=False)
    batch = add_uses_many([JobUses("U-2", "J-1", (used(DISC, "1"),))] * 2, now=NOW)
    assert [posting.created for posting in batch] == [True, False]
    assert cost_of("J-1").materials == Decimal("12.5")


@pytest.mark.django_db(transaction=True)
def test_further_uses_with_other_content_are_refused_and_kept() -> None:
    close("J-1", DAY)
    use_more("U-1", "J-1", used(DISC, "4"))
    with pytest.raises(Conflict, match="use U-1"):
        use_more("U-1", "J-1", used(DISC, "4", "10"))
    assert RefusedDocument.objects.get().client_id == "U-1"


def test_further_uses_need_a_closed_job_and_all_problems_are_named_at_once() -> None:
    book("booked")
    close("J-1", DAY)
    batch = [
        JobUses("U-1", "booked", (used(DISC, "4"),)),
        JobUses("U-2", "nowhere", (used("no-disc", "0", "1"),)),
        JobUses("U-3", "J-1", ()),
        JobUses("U\0-4", "J\0-1", (used(DISC, "1.5"),)),
    ]
    with pytest.raises(Refused) as refused:
        add_uses_many(batch, now=NOW)
    assert [(document.id, str(problem)) for document, problem in refused.value.problems] == [
        ("U-1", "job booked is booked, not closed; close it first"),
        ("U-2", "job nowhere is not a known job"),
        ("U-2", "line 1: consumable no-disc is not a known consumable"),
        ("U-3", "lines () is empty; give at least one line"),
        ("U\0-4", "job J\0-1 is not a known job"),
        ("U\0-4", "id U\0-4 has a control character; use printable characters only"),
        ("U\0-4", "line 1: quantity 1.5 is not whole; DISC-P400 is counted"),
    ]
    assert Document.objects.filter(kind="use").count() == 0


def test_a_retry_of_further_uses_is_answered_even_after_the_job_was_opened_again() -> None:
    close("J-1", DAY)
    first = use_more("U-1", "J-1", used(DISC, "4"))
    correct("K-1", "use", "U-1")
    correct("K-2", "close", "close-J-1")
    assert use_more("U-1", "J-1", used(DISC, "4")) == replace(first, created=False)
    close("J-1", "2026-03-11", id="again", van="VAN-2")
    assert use_more("U-1", "J-1", used(DISC, "4")) == replace(first, created=False)
    assert Holding.objects.filter(place__code="VAN-2").count() == 0
