"""When to order, how much, and in which packs."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.stock_control.review_policies import (
    order_up_to,
    reorder_quantity,
    reorder_up_to,
    whole_packs,
)

D = Decimal

amounts = st.decimals(-5000, 5000, places=4)
sizes = st.decimals(D("0.0001"), 500, places=4)
room = st.decimals(0, 5000, places=4)


@given(amounts, amounts)
def test_order_up_to_brings_the_position_to_the_level(position: Decimal, level: Decimal) -> None:
    order = order_up_to(position, level)
    assert order >= 0
    assert position + order == max(position, level)


@given(amounts, amounts, sizes)
def test_reorder_up_to_orders_at_the_reorder_point_and_below_only(
    position: Decimal, reorder_point: Decimal, gap: Decimal
) -> None:
    level = reorder_point + gap
    order = reorder_up_to(position, reorder_point, level)
    assert position + order == (level if position <= reorder_point else position)


@given(amounts, amounts, sizes)
def test_reorder_quantity_lifts_the_position_above_the_reorder_point_by_at_most_one_quantity(
    position: Decimal, reorder_point: Decimal, quantity: Decimal
) -> None:
    order = reorder_quantity(position, reorder_point, quantity)
    assert order % quantity == 0
    if position > reorder_point:
        assert order == 0
    else:
        assert reorder_point < position + order <= reorder_point + quantity


@pytest.mark.parametrize(("position", "order"), [(11, 0), (10, 25), (-14, 25), (-15, 50), (-60, 75)])
def test_reorder_quantity_repeats_until_above_the_reorder_point(position: int, order: int) -> None:
    assert reorder_quantity(D(position), D(10), D(25)) == order


@given(amounts, sizes, room, room)
def test_whole_packs_are_whole_enough_and_fit(
    quantity: Decimal, pack_size: Decimal, least: Decimal, most: Decimal
) -> None:
    order = whole_packs(quantity, pack_size, least=least, most=most)
    assert order % pack_size == 0
    assert 0 <= order <= most
    if order > 0:
        assert order >= least
        # One pack fewer would miss what is wanted or the smallest order.
        assert order - pack_size < max(quantity, least)
    elif quantity > 0:
        # Nothing is ordered only where neither one pack nor the smallest order would fit.
        assert most < max(least, pack_size) or most // pack_size * pack_size < least


@pytest.mark.parametrize(
    ("quantity", "pack_size", "least", "most", "order"),
    [
        ("30", "25", "0", None, "50"),
        ("50", "25", "0", None, "50"),
        ("0", "25", "100", None, "0"),
        ("-3", "25", "0", None, "0"),
        ("30", "25", "100", None, "100"),
        ("30", "25", "101", None, "125"),
        ("80", "25", "0", "60", "50"),
        ("80", "25", "0", "20", "0"),
        ("80", "25", "75", "60", "0"),
        ("0.0001", "250", "0", None, "250"),
        ("1200", "250.5", "0", None, "1252.5"),
    ],
)
def test_whole_packs(quantity: str, pack_size: str, least: str, most: str | None, order: str) -> None:
    limit = None if most is None else D(most)
    assert whole_packs(D(quantity), D(pack_size), least=D(least), most=limit) == D(order)
