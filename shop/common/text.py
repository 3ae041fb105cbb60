"""Counts, numbers and values as text. Pure.

Pages show quantities and money by `shop.common.amounts`; what digests rest on is
`inventory.documents.canonical_json`'s alone.
"""

import re
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

MOST_SHOWN = 60
# A number as files and JSON strings write it: digits, a point and no exponent.
PLAIN_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")


def counted(number: int, noun: str) -> str:
    """Return a number with its noun, which takes an s unless there is one: 1 row, 2 rows, 1,000 rows."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def shortened(text: str) -> str:
    """Return a text of at most MOST_SHOWN characters, one that is longer with its end left out."""
    return text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 1]}…"


def exact(number: Decimal) -> str:
    """Return a number with all its digits, no zeros behind the last one and no exponent: 12.5, 1000."""
    return f"{number.normalize():f}"


def tenths_up(quantity: Decimal) -> str:
    """Return a need that was computed, rounded up so that it is never said too small.

    To tenths from 1 on, below to thousandths: a tenth would be many times as much. Thousands are set apart.
    """
    if quantity != quantity.to_integral_value():
        quantity = quantity.quantize(Decimal("0.1" if quantity >= 1 else "0.001"), rounding=ROUND_CEILING)
    return f"{quantity.normalize():,f}"


def hundredths_up(quantity: Decimal) -> str:
    """Return a quantity or a time that may be a long quotient, to three or so significant digits.

    What is within half a hundredth of a whole number is that number; all else is rounded up, to tenths from
    10 on, to hundredths below. Thousands are set apart.
    """
    place = Decimal("0.1") if abs(quantity) >= 10 else Decimal("0.01")
    if quantity != quantity.to_integral_value():
        whole = quantity.to_integral_value(ROUND_HALF_EVEN)
        near = abs(quantity - whole) < Decimal("0.005")
        quantity = whole if near else quantity.quantize(place, rounding=ROUND_CEILING)
    return f"{quantity.normalize():,f}"
