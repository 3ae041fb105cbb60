"""Stock by place at a moment: quantities from movements, values that sum to the pool."""

from collections import defaultdict
from datetime import datetime, timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.models import Consumable, CostAdjustment, LowLevel, Movement, Place, PlaceKind
from inventory.reports.stock_on_hand import StockRow, low_stock, stock_at
from tests.inventory.small_shop import (
    ACTIONS,
    NOW,
    day,
    open_shop,
    play,
    receive,
    transfer,
    undone_afterwards,
    use,
)
from tests.thoroughness import examples

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_shop()


def rows(moment: datetime = NOW) -> list[tuple[str, str, Decimal, Decimal]]:
    return [(row.place, row.consumable, row.quantity, row.value) for row in stock_at(moment)]


def naive(moment: datetime) -> tuple[dict[tuple[str, str], Decimal], dict[str, Decimal]]:
    """Return quantities by place and pool values by consumable, one movement after the other."""
    quantities: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
    values: dict[str, Decimal] = defaultdict(Decimal)
    for movement in Movement.objects.filter(posted_at__lte=moment).select_related(
        "source", "destination", "consumable"
    ):
        code = movement.consumable.code
        quantities[movement.source.code, code] -= movement.quantity
        quantities[movement.destination.code, code] += movement.quantity
        if hasattr(movement, "valued"):
            values[code] += movement.valued.value * (1 if movement.destination.is_real else -1)
    for adjustment in CostAdjustment.objects.filter(posted_at__lte=moment).select_related("consumable"):
        values[adjustment.consumable.code] -= adjustment.amount
    real = set(Place.objects.filter(kind__in=[PlaceKind.DEPOT, PlaceKind.VAN]).values_list("code", flat=True))
    return {pair: total for pair, total in quantities.items() if pair[0] in real and total}, values


def test_stock_is_listed_by_place_then_consumable_with_values_of_the_one_pool() -> None:
    receive("R-1", 0, ("disc-p400", "100", "50"), ("compound", "1000", "20"))
    transfer("T-1", 1, "depot", "van-a", "disc-p400", "40")
    assert rows() == [
        ("depot", "compound", Decimal(1000), Decimal(20)),
        ("depot", "disc-p400", Decimal(60), Decimal(30)),
        ("van-a", "disc-p400", Decimal(40), Decimal(20)),
    ]


def test_an_earlier_moment_shows_what_had_posted_by_then() -> None:
    receive("R-1", 0, ("disc-p400", "10", "10"))
    use("J-1", 5, "depot", "disc-p400", "4")
    receive("R-2", 9, ("disc-p400", "10", "30"))
    assert rows(day(0) - timedelta(microseconds=1)) == []
    assert rows(day(0)) == [("depot", "disc-p400", Decimal(10), Decimal(10))]
    assert rows(day(5)) == [("depot", "disc-p400", Decimal(6), Decimal(6))]
    assert rows(day(9)) == [("depot", "disc-p400", Decimal(16), Decimal(36))]


def test_values_that_do_not_divide_evenly_still_sum_to_the_pool() -> None:
    receive("R-1", 0, ("disc-p400", "3", "1"))
    transfer("T-1", 1, "depot", "van-a", "disc-p400", "1")
    transfer("T-2", 1, "depot", "van-b", "disc-p400", "1")
    values = [value for _, _, _, value in rows()]
    assert sum(values) == 1
    assert set(values) == {Decimal("0.3333"), Decimal("0.3334")}


def test_a_settled_provisional_use_has_taken_its_adjustment_out_of_stock() -> None:
    receive("R-1", 0, ("disc-p400", "10", "10"))
    use("J-1", 1, "depot", "disc-p400", "15")
    assert rows(day(2)) == [("depot", "disc-p400", Decimal(-5), Decimal(-5))]
    receive("R-2", 3, ("disc-p400", "10", "30"))
    assert CostAdjustment.objects.get().amount == 10
    assert rows(day(2)) == [("depot", "disc-p400", Decimal(-5), Decimal(-5))]
    assert rows() == [("depot", "disc-p400", Decimal(5), Decimal(15))]


def test_places_that_cancel_out_are_valued_at_the_last_known_cost_and_sum_to_nothing() -> None:
    receive("R-1", 0, ("disc-p400", "10", "20"))
    use("J-1", 1, "van-a", "disc-p400", "10")
    assert rows() == [
        ("depot", "disc-p400", Decimal(10), Decimal(20)),
        ("van-a", "disc-p400", Decimal(-10), Decimal(-20)),
    ]
    receive("R-2", 8, ("disc-p400", "10", "90"))
    assert rows(day(2))[0][3] == 20, "what was locked and exported then does not change with a later price"


def test_a_place_short_of_stock_nobody_ever_received_is_worth_nothing() -> None:
    transfer("T-1", 0, "depot", "van-a", "pad", "2")
    assert rows() == [("depot", "pad", Decimal(-2), Decimal(0)), ("van-a", "pad", Decimal(2), Decimal(0))]


def test_emptied_places_are_left_out() -> None:
    receive("R-1", 0, ("disc-p400", "10", "20"))
    use("J-1", 1, "depot", "disc-p400", "10")
    assert rows() == []


@settings(max_examples=examples(25), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(actions=ACTIONS, look_back=st.integers(-1, 21))
def test_any_history_gives_the_sums_of_its_movements(
    actions: list[tuple[str, int, str, str, int]], look_back: int
) -> None:
    with undone_afterwards():
        play(actions)
        moment = day(look_back)
        quantities, values = naive(moment)
        found = list(stock_at(moment))
        assert {(row.place, row.consumable): row.quantity for row in found} == quantities
        for consumable in Consumable.objects.values_list("code", flat=True):
            shares = [row.value for row in found if row.consumable == consumable]
            assert sum(shares, Decimal(0)) == values[consumable]


def test_the_number_of_queries_does_not_grow_with_history() -> None:
    def queries() -> int:
        with CaptureQueriesContext(
            connection,
        ) as captured:
            list(stock_at(day(3)))
        return len(captured)

    receive("R-1", 0, ("disc-p400", "10", "10"), ("compound", "10", "10"), ("pad", "10", "10"))
    before = queries()
    for number in range(12):
        use(f"J-{number}", number, "van-a", "disc-p400", "1")
        transfer(f"T-{number}", number, "depot", "van-b", "compound", "1")
    assert queries() <= before + 1 <= 8


def test_low_stock_names_what_is_at_or_under_its_level() -> None:
    receive("R-1", 0, ("disc-p400", "10", "10"), ("compound", "500", "10"))
    levels = {("depot", "disc-p400"): 10, ("depot", "compound"): 499, ("van-a", "pad"): 0}
    for (place, consumable), level in levels.items():
        LowLevel.objects.create(
            place=Place.objects.get(code=place),
            consumable=Consumable.objects.get(code=consumable),
            quantity=Decimal(level),
        )
    assert [(str(row.place), str(row.consumable), row.held, row.quantity) for row in low_stock()] == [
        ("depot", "disc-p400", Decimal(10), Decimal(10)),
        ("van-a", "pad", Decimal(0), Decimal(0)),
    ]


def test_rows_are_plain_values() -> None:
    receive("R-1", 0, ("disc-p400", "1", "1"))
    assert list(stock_at(NOW)) == [StockRow("depot", "disc-p400", Decimal(1), Decimal(1))]
