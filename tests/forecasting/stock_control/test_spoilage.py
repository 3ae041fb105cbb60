"""What expires before it is used is no stock to count on: worked numbers, and what holds for any lots."""

from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.stock_control.spoilage import ExpiringLot, unused
from tests.forecasting.purchase_shop import DAY, DISC, WEEK, draft, forecast, line, open_purchase_shop
from tests.inventory.small_shop import receive

D = Decimal
amounts = st.integers(0, 200).map(D)
lots_of_a_depot = st.lists(st.builds(ExpiringLot, st.integers(0, 40), amounts), max_size=5)


@pytest.mark.parametrize(
    ("lots", "per_day", "owed", "expected"),
    [
        ([], "10", "0", "0"),
        # 5 days of 10 use 50 of 80.
        ([(5, "80")], "10", "0", "30"),
        # The first lot uses up the burn of its 5 days; the second has that of the 3 days after it.
        ([(8, "80"), (5, "60")], "10", "0", "60"),
        # What leaves burn to spare leaves it to the next: of the 80 burnt in 8 days 60 are left.
        ([(5, "20"), (8, "70")], "10", "0", "10"),
        ([(0, "40"), (5, "50")], "10", "0", "40"),
        # Vans wait for 70 now and burn no more than 50 until it expires.
        ([(5, "80")], "10", "70", "10"),
        ([(0, "80")], "10", "70", "80"),
        ([(5, "80")], "0", "0", "80"),
    ],
)
def test_what_expires_first_is_used_first(
    lots: list[tuple[int, str]], per_day: str, owed: str, expected: str
) -> None:
    held = [ExpiringLot(days, D(quantity)) for days, quantity in lots]
    assert unused(held, D(per_day), D(owed)) == D(expected)


@settings(max_examples=100)
@given(lots_of_a_depot, amounts, amounts)
def test_no_more_is_lost_than_there_is_and_more_burn_or_time_never_loses_more(
    lots: list[ExpiringLot], per_day: Decimal, owed: Decimal
) -> None:
    lost = unused(lots, per_day, owed)
    held = sum((lot.quantity for lot in lots), D(0))
    gone = sum((lot.quantity for lot in lots if not lot.days), D(0))
    assert gone <= lost <= held
    assert unused(list(reversed(lots)), per_day, owed) == lost
    assert unused(lots, per_day + 1, owed) <= lost
    assert unused(lots, per_day, owed + 1) <= lost
    assert unused([ExpiringLot(lot.days + 1, lot.quantity) for lot in lots], per_day, owed) <= lost
    # The burn until the last day is the most that can be used.
    last = max((lot.days for lot in lots), default=0)
    assert held - lost <= max(last * per_day, owed)


@pytest.mark.django_db
def test_a_lot_that_expires_before_it_is_used_is_ordered_anew() -> None:
    open_purchase_shop()
    # 150 keep forever. 100 more may be used on 5 days, of 10 discs each: 50 of them will not be.
    receive("R-2", 1, (DISC, "100", "250"), expires_on=(DAY + timedelta(days=4)).isoformat())
    (purchase,) = draft(forecast({DISC: WEEK}))
    found = line(purchase)
    assert found.why.startswith("250 each in the depot, of which 50 will expire before they are used; ")
    # 215 last (test_purchase_drafting): of 200 that count 15 are missing, one box of 25.
    assert (found.on_hand, found.reorder_level, found.suggested_packs) == (250, D(215), 1)
    assert found.cover_days == D("22.5")


@pytest.mark.django_db
def test_a_lot_that_is_used_in_time_counts_in_full() -> None:
    open_purchase_shop()
    receive("R-2", 1, (DISC, "100", "250"), expires_on=(DAY + timedelta(days=200)).isoformat())
    assert draft(forecast({DISC: WEEK})) == []
