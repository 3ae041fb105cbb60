"""What is locked never changes; what comes late counts at the first open moment."""

from decimal import Decimal
from typing import Any

import pytest

from inventory import documents as d
from inventory import ledger
from inventory.ledger import Refused, period_lock
from inventory.models import CostAdjustment, Movement, PeriodChange
from inventory.valuation.cost_layers import CostFormula
from tests.factories import (
    DISC,
    NOW,
    adjustments_by,
    at,
    close,
    correction,
    count,
    give_back,
    holding,
    make_shop,
    pool_of,
    receipt,
    use,
    value_of,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    make_shop(CostFormula.FIFO)


def post(*documents: d.Document) -> list[ledger.Posting]:
    return [ledger.post(document, now=NOW) for document in documents]


def lock(day: float | None) -> None:
    period_lock.change_lock(None if day is None else at(day), reason="month end", by="owner", now=NOW)


def locked_facts(before: float) -> list[Any]:
    values = Movement.objects.filter(posted_at__lt=at(before)).order_by("pk")
    adjustments = CostAdjustment.objects.filter(posted_at__lt=at(before)).order_by("pk")
    return [
        *values.values_list("pk", "quantity", "posted_at", "valued__value", "valued__provisional"),
        *adjustments.values_list("movement_id", "adjusts_id", "quantity", "valued", "actual"),
    ]


def test_nothing_is_locked_at_first() -> None:
    assert period_lock.open_from() is None
    assert period_lock.posting_moment(at(1), None) == at(1)


def test_a_late_document_keeps_when_it_happened_and_counts_at_the_first_open_moment() -> None:
    lock(10)
    (posting,) = post(close("J-1", 3, (DISC, 2)))
    movement = Movement.objects.get()
    assert (movement.occurred_at, movement.posted_at) == (at(3), at(10))
    assert posting.posted_at == at(10)
    assert f"happened in a locked period; counts on {at(10):%Y-%m-%d}" in posting.flags


def test_what_happens_at_the_first_open_moment_or_later_is_not_late() -> None:
    lock(10)
    (posting,) = post(receipt("R-1", 10, (DISC, 2, 2)))
    assert (posting.posted_at, posting.flags) == (at(10), ())


def test_no_late_document_changes_what_is_locked() -> None:
    post(
        receipt("R-1", 1, (DISC, 10, 10)),
        close("J-1", 2, (DISC, 4)),
        give_back("B-1", 3, "J-1", (DISC, 1)),
        count("N-1", 4, (DISC, 6)),
        close("J-2", 5, (DISC, 9)),
        receipt("R-2", 6, (DISC, 1, 7)),
        close("J-3", 11, (DISC, 1)),
    )
    lock(10)
    before = locked_facts(10)
    post(
        receipt("R-3", 0, (DISC, 50, 500)),
        close("J-4", 3.5, (DISC, 2)),
        give_back("B-2", 7, "J-2", (DISC, 2)),
        count("N-2", 8, (DISC, 30)),
        correction("C-1", "close", "J-3"),
        correction("C-2", "receipt", "R-1"),
        correction("C-3", "count", "N-1"),
    )
    assert locked_facts(10) == before
    assert holding(DISC) == 30


def test_a_provisional_cost_of_a_locked_period_is_settled_in_the_open_one() -> None:
    post(receipt("R-1", 0, (DISC, 1, 4)), close("J-1", 1, (DISC, 3)))
    lock(10)
    post(receipt("R-2", 0.5, (DISC, 5, 30)))
    assert value_of("close", "J-1") == 12
    adjustment = CostAdjustment.objects.get()
    assert (adjustment.posted_at, adjustment.amount) == (at(10), Decimal(4))
    assert adjustments_by("receipt", "R-2") == 4
    assert pool_of(DISC).value == 18


def test_a_use_of_a_locked_period_is_corrected_at_the_value_it_went_out_with() -> None:
    post(receipt("R-1", 0, (DISC, 4, 4)), close("J-1", 1, (DISC, 4)), receipt("R-2", 2, (DISC, 4, 40)))
    lock(10)
    (posting,) = post(correction("C-1", "close", "J-1"))
    assert posting.flags == (f"undoes what is in a locked period; counts on {at(10):%Y-%m-%d}",)
    assert (value_of("close", "J-1"), value_of("correction", "C-1")) == (Decimal(4), Decimal(4))
    assert pool_of(DISC).value == 44
    post(close("J-2", 11, (DISC, 4)))
    assert value_of("close", "J-2") == 4


def test_a_receipt_of_a_locked_period_is_corrected_at_its_value_and_the_rest_is_an_adjustment() -> None:
    post(receipt("R-1", 0, (DISC, 4, 4)), receipt("R-2", 1, (DISC, 4, 40)), close("J-1", 2, (DISC, 4)))
    lock(10)
    post(correction("C-1", "receipt", "R-1"))
    assert value_of("correction", "C-1") == 4
    assert adjustments_by("correction", "C-1") == 36
    assert (pool_of(DISC).quantity, pool_of(DISC).value) == (Decimal(0), Decimal(0))


def test_a_receipt_corrected_at_the_first_open_moment_goes_after_the_uses_of_that_moment() -> None:
    post(receipt("R-1", 0, (DISC, 4, 4)), receipt("R-2", 1, (DISC, 4, 40)))
    lock(10)
    post(correction("C-1", "receipt", "R-1"), close("J-1", 10, (DISC, 4)))
    assert value_of("close", "J-1") == 4
    assert adjustments_by("correction", "C-1") == 36


def test_a_use_corrected_at_the_first_open_moment_is_back_before_the_uses_of_that_moment() -> None:
    post(receipt("R-1", 0, (DISC, 4, 4)), close("J-1", 1, (DISC, 4)), receipt("R-2", 2, (DISC, 4, 40)))
    lock(10)
    post(close("J-2", 10, (DISC, 4)), correction("C-1", "close", "J-1"))
    assert value_of("close", "J-2") == 4


def test_a_return_of_a_locked_period_is_not_corrected() -> None:
    post(close("J-1", 1, (DISC, 4)), give_back("B-1", 2, "J-1", (DISC, 1)))
    lock(10)
    with pytest.raises(Refused, match="is in a locked period; post a further use of the job instead"):
        ledger.post(correction("C-1", "return", "B-1"), now=NOW)


def test_a_corrected_return_of_a_locked_period_leaves_its_use_whole() -> None:
    post(receipt("R-1", 0, (DISC, 4, 10)), close("J-1", 1, (DISC, 4)))
    post(give_back("B-1", 2, "J-1", (DISC, 1)), correction("C-1", "return", "B-1"))
    lock(10)
    post(give_back("B-2", 11, "J-1", (DISC, 4)))
    assert value_of("return", "B-2") == 10
    assert pool_of(DISC).value == 10


def test_a_late_use_seen_by_a_count_of_a_locked_period_is_found_again_in_the_open_one() -> None:
    post(receipt("R-1", 0, (DISC, 10, 50)), count("N-1", 2, (DISC, 7)))
    lock(10)
    post(close("J-1", 1, (DISC, 3)))
    assert holding(DISC) == 7
    further = Movement.objects.get(document__client_id="N-1", part=1)
    assert (further.occurred_at, further.posted_at, further.quantity) == (at(2), at(10), Decimal(3))


def test_a_return_dated_in_a_reopened_period_counts_no_earlier_than_its_use() -> None:
    post(receipt("R-1", 0, (DISC, 4, 10)))
    lock(10)
    post(close("J-1", 3, (DISC, 4)))
    lock(None)
    (posting,) = post(give_back("B-1", 4, "J-1", (DISC, 2)))
    assert posting.posted_at == at(10)
    assert value_of("return", "B-1") == 5
    assert pool_of(DISC).value == 5


def test_reopening_keeps_what_was_posted_where_it_was() -> None:
    lock(10)
    post(close("J-1", 3, (DISC, 2)))
    lock(2)
    post(use("U-1", 3, (DISC, 2)))
    assert list(Movement.objects.order_by("pk").values_list("posted_at", flat=True)) == [at(10), at(3)]
    assert period_lock.open_from() == at(2)


def test_every_change_of_the_lock_is_kept_with_its_reason() -> None:
    lock(10)
    lock(None)
    changes = PeriodChange.objects.values_list("locked_until", "reason", "changed_by", "changed_at")
    assert list(changes) == [(at(10), "month end", "owner", NOW), (None, "month end", "owner", NOW)]


def test_the_books_may_be_locked_up_to_this_very_moment() -> None:
    period_lock.change_lock(NOW, reason="year end", by="owner", now=NOW)
    assert period_lock.open_from() == NOW


def test_a_lock_needs_a_reason_and_a_moment_that_has_passed() -> None:
    with pytest.raises(ValueError, match="give the reason"):
        period_lock.change_lock(at(1), reason=" ", by="owner", now=NOW)
    with pytest.raises(ValueError, match="is in the future"):
        period_lock.change_lock(at(61), reason="month end", by="owner", now=NOW)
    assert not PeriodChange.objects.exists()
