"""A count anchors the book: right after it a place holds what was found, whatever arrives late."""

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import documents as d
from inventory import ledger
from inventory.models import Movement
from tests.factories import (
    COMPOUND,
    DEPOT,
    DISC,
    NOW,
    VAN,
    at,
    close,
    correction,
    count,
    holding,
    make_shop,
    pool_of,
    receipt,
    transfer,
    use,
    value_of,
)

D = Decimal

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    make_shop()
    post(receipt("R-1", 0, (DISC, 10, 50)))


def post(*documents: d.Document) -> None:
    for document in documents:
        ledger.post(document, now=NOW)


def booked(id_: str) -> list[Decimal]:
    """Return what a count booked, movement by movement: found is positive, missing negative."""
    movements = Movement.objects.filter(document__kind="count", document__client_id=id_).order_by(
        "line", "part"
    )
    return [
        m.quantity if m.destination.is_real else -m.quantity
        for m in movements.select_related("source", "destination")
    ]


def test_what_is_missing_goes_to_lost_at_the_pools_cost() -> None:
    post(count("N-1", 1, (DISC, 7)))
    assert holding(DISC) == 7
    assert booked("N-1") == [-3]
    assert (value_of("count", "N-1"), pool_of(DISC).value) == (D(15), D(35))


def test_what_is_found_comes_back_at_the_last_known_cost() -> None:
    post(count("N-1", 1, (DISC, 12)))
    assert booked("N-1") == [2]
    assert (value_of("count", "N-1"), pool_of(DISC).value) == (D(10), D(60))


def test_a_count_that_agrees_books_nothing() -> None:
    post(count("N-1", 1, (DISC, 10)))
    assert booked("N-1") == []


def test_a_late_use_from_before_a_count_was_seen_by_it() -> None:
    post(count("N-1", 2, (DISC, 7)), close("J-1", 1, (DISC, 3)))
    assert holding(DISC) == 7
    assert booked("N-1") == [-3, 3]
    assert (value_of("close", "J-1"), pool_of(DISC).value) == (D(15), D(35))
    values = Movement.objects.filter(document__client_id="N-1").values_list("valued__value", flat=True)
    assert list(values) == [0, 0]


def test_a_late_use_of_more_than_was_missing_turns_the_loss_into_a_find() -> None:
    post(count("N-1", 2, (DISC, 7)), close("J-1", 1, (DISC, 4)))
    assert holding(DISC) == 7
    assert booked("N-1") == [-3, 4]
    parts = Movement.objects.filter(document__client_id="N-1").order_by("part")
    assert list(parts.values_list("valued__value", flat=True)) == [15, 20]
    assert pool_of(DISC).value == 35


def test_a_movement_at_the_moment_of_a_count_was_seen_by_it() -> None:
    post(count("N-1", 2, (DISC, 7)), close("J-1", 2, (DISC, 3)))
    assert booked("N-1") == [-3, 3]


def test_a_movement_after_a_count_leaves_it_alone() -> None:
    post(count("N-1", 2, (DISC, 7)), close("J-1", 2.01, (DISC, 3)))
    assert booked("N-1") == [-3]
    assert holding(DISC) == 4


def test_only_the_next_count_takes_over_a_late_movement() -> None:
    post(count("N-1", 2, (DISC, 9)), count("N-2", 4, (DISC, 8)), count("N-3", 6, (DISC, 7)))
    post(close("J-1", 3, (DISC, 1)))
    assert (booked("N-1"), booked("N-2"), booked("N-3")) == ([D(-1)], [D(-1), D(1)], [D(-1)])
    assert holding(DISC) == 7


def test_counts_may_come_in_any_order() -> None:
    post(count("N-3", 6, (DISC, 7)), count("N-1", 2, (DISC, 9)), count("N-2", 4, (DISC, 8)))
    assert [sum(booked(id_)) for id_ in ("N-1", "N-2", "N-3")] == [-1, -1, -1]
    assert holding(DISC) == 7


def test_two_counts_of_one_moment_stand_in_the_order_of_their_ids() -> None:
    post(count("N-10", 2, (DISC, 5)), count("N-9", 2, (DISC, 8)))
    assert [sum(booked(id_)) for id_ in ("N-9", "N-10")] == [-2, -3]
    assert holding(DISC) == 5


def test_a_late_transfer_is_taken_over_at_both_places() -> None:
    post(count("N-1", 2, (DISC, 6)), count("N-2", 2, (DISC, 4), place=VAN))
    post(transfer("T-1", 1, DEPOT, VAN, (DISC, 4)))
    assert (holding(DISC), holding(DISC, VAN)) == (D(6), D(4))
    assert (sum(booked("N-1")), sum(booked("N-2"))) == (D(0), D(0))
    assert pool_of(DISC).value == 50


def test_a_late_receipt_explains_what_a_count_found() -> None:
    post(count("N-1", 2, (COMPOUND, "99.5")))
    assert value_of("count", "N-1") == 0
    post(receipt("R-2", 1, (COMPOUND, 100, 30)))
    assert holding(COMPOUND) == Decimal("99.5")
    assert sum(booked("N-1")) == Decimal("-0.5")
    assert pool_of(COMPOUND).value == Decimal("29.85")


def test_a_corrected_count_anchors_nothing() -> None:
    post(count("N-1", 2, (DISC, 7)), correction("C-1", "count", "N-1"))
    assert holding(DISC) == 10
    post(close("J-1", 1, (DISC, 4)))
    assert holding(DISC) == 6


def test_the_next_count_takes_over_what_a_corrected_one_booked() -> None:
    post(count("N-1", 2, (DISC, 3)), count("N-2", 4, (DISC, 8)))
    assert (booked("N-1"), booked("N-2")) == ([D(-7)], [D(5)])
    post(correction("C-1", "count", "N-1"))
    assert sum(booked("N-2")) == -2
    assert holding(DISC) == 8
    assert pool_of(DISC).value == 40


def test_a_count_and_its_correction_of_one_batch_leave_nothing() -> None:
    ledger.post_many(
        [count("N-1", 2, (DISC, 3)), correction("C-1", "count", "N-1"), close("J-1", 1, (DISC, 1))], now=NOW
    )
    assert booked("N-1") == []
    assert holding(DISC) == 9


def test_a_count_of_several_places_anchors_each() -> None:
    found = (d.CountedLine(DEPOT, DISC, Decimal(6)), d.CountedLine(VAN, DISC, Decimal(1)))
    post(d.Count("N-1", at(2), found))
    assert (holding(DISC), holding(DISC, VAN)) == (D(6), D(1))
    post(use("U-1", 1, (DISC, 5), place=VAN))
    assert (holding(DISC), holding(DISC, VAN)) == (D(6), D(1))


def test_looking_for_counts_takes_the_same_queries_after_many_of_them() -> None:
    def late(id_: str, day: float) -> int:
        with CaptureQueriesContext(connection) as captured:
            post(close(id_, day, (DISC, 1)))
        return len(captured)

    post(count("N-0", 1, (DISC, 9)), count("N-1", 3, (DISC, 8)))
    before = late("J-1", 2)
    ledger.post_many([count(f"M-{n}", 4 + n / 100, (DISC, 8)) for n in range(300)], now=NOW)
    assert late("J-2", 2.5) == before
