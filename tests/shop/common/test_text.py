"""Numbers as text: one function for each rounding, and nobody writes their own."""

import re
from decimal import Decimal
from pathlib import Path

import pytest

from shop.common.text import exact, hundredths_up, tenths_up

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("number", "as_exact", "as_tenths", "as_hundredths"),
    [
        ("0.0000", "0", "0", "0"),
        ("3.0000", "3", "3", "3"),
        ("1E+3", "1000", "1,000", "1,000"),
        ("1234567.5000", "1234567.5", "1,234,567.5", "1,234,567.5"),
        # A need is never said too small, however little is behind the last place shown.
        ("2.3401", "2.3401", "2.4", "2.35"),
        ("0.0001", "0.0001", "0.001", "0"),
        ("0.9991", "0.9991", "1", "1"),
        ("0.4521", "0.4521", "0.453", "0.46"),
        ("12.3401", "12.3401", "12.4", "12.4"),
        # What a long quotient misses a whole number by is noise to the one, a need to the other.
        ("11.9999", "11.9999", "12", "12"),
        ("12.0049", "12.0049", "12.1", "12"),
        ("12.0050", "12.005", "12.1", "12.1"),
        ("-2.5", "-2.5", "-2.5", "-2.5"),
    ],
)
def test_a_number_is_said_by_its_rounding(
    number: str, as_exact: str, as_tenths: str, as_hundredths: str
) -> None:
    amount = Decimal(number)
    assert (exact(amount), tenths_up(amount), hundredths_up(amount)) == (as_exact, as_tenths, as_hundredths)


def test_nobody_writes_a_number_by_a_rule_of_their_own() -> None:
    own_rule = re.compile(r"\.normalize\(\):,?f\}")
    found = {
        str(path.relative_to(ROOT))
        for app in ("shop", "forecasting")
        for path in (ROOT / app).rglob("*.py")
        if own_rule.search(path.read_text())
    }
    assert len(found) == 2  # this module, and the filters of pages beside it
    assert "shop/common/amounts.py" in found
