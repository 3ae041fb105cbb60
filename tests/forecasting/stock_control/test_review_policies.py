"""When to order, how much, and in which packs."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.stock_control.review_policies import order_up_to, whole_packs

D = Decimal

amounts = st.decimals(-5000, 5000, places=4)
sizes = st.decimals(D("0.0001"), 500, places=4)
room = st.decimals(0, 5000, places=4)


@given(amounts, amounts)
def test_order_up_to_brings_the_position_to_the_level(position: Decimal, level: Decimal) -> None:
    order = order_up_to(position, level)
    assert order >= 0
    assert position + order == max(position, level)


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
