"""Quantities as people write them."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.web.storeroom.pack_quantities import read_quantity

BOX = [("box", Decimal(25)), ("Bottle", Decimal("0.5"))]


@pytest.mark.parametrize(
    ("written", "units"),
    [
        ("50", "50"),
        (" 12.5 ", "12.5"),
        ("50 each", "50"),
        ("2 box", "50"),
        ("2BOX", "50"),
        ("3 bottle", "1.5"),
    ],
)
def test_numbers_and_packs_become_stock_units(written: str, units: str) -> None:
    assert read_quantity(written, BOX, "each") == Decimal(units)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("", "not a quantity"),
        ("box", "not a quantity"),
        ("1,000", "not clear"),
        ("1 000", "not clear"),
        ("1.2.3", "not a number"),
        ("2 crates", "known are each, box, Bottle"),
    ],
)
def test_what_is_not_clear_is_refused_with_what_to_write(written: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        read_quantity(written, BOX, "each")


def test_a_pack_of_two_sizes_is_not_guessed() -> None:
    with pytest.raises(ValueError, match="several sizes"):
        read_quantity("2 box", [*BOX, ("box", Decimal(50))], "each")


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        units = read_quantity(text, BOX, "each")
    except ValueError:
        return
    assert units.is_finite()
