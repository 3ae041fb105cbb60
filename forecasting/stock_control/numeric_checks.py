"""Amounts that policies take and give: how they are checked and how they are rounded. Pure.

Three kinds of number, kept apart in every policy module. Money and quantities in the stock unit, which a
person orders or pays, are Decimal with 4 places, rounded half to even. Probabilities, means, deviations and
lengths of time are float, as they are estimates. Counts of whole units, which index a discrete demand
distribution (levels, reorder points, shared units), are int.
"""

import math
from decimal import ROUND_HALF_EVEN, Decimal, localcontext

from inventory.decimals import LAST_PLACE, PRECISION


def rounded(amount: Decimal | float) -> Decimal:
    """The amount as a Decimal with 4 places, half to even."""
    with localcontext(prec=PRECISION):
        return Decimal(amount).quantize(LAST_PLACE, rounding=ROUND_HALF_EVEN)


def is_finite(value: Decimal | float) -> bool:
    """Whether the value is an ordinary number: neither NaN nor infinite."""
    return value.is_finite() if isinstance(value, Decimal) else math.isfinite(value)


def require_finite(thing: str, value: Decimal | float, remedy: str) -> None:
    """Raise ValueError, naming the thing, the value and the remedy, for NaN and the infinities."""
    if not is_finite(value):
        raise ValueError(f"{thing} {value} is not a finite number; {remedy}")


def require_positive(thing: str, value: Decimal | float, remedy: str) -> None:
    """Raise ValueError unless the value is finite and above 0."""
    require_finite(thing, value, remedy)
    if value <= 0:
        raise ValueError(f"{thing} {value} is not above 0; {remedy}")


def require_not_negative(thing: str, value: Decimal | float, remedy: str) -> None:
    """Raise ValueError unless the value is finite and 0 or more."""
    require_finite(thing, value, remedy)
    if value < 0:
        raise ValueError(f"{thing} {value} is negative; {remedy}")


def require_share(thing: str, value: float, remedy: str) -> None:
    """Raise ValueError unless the value lies strictly between 0 and 1."""
    require_finite(thing, value, remedy)
    if not 0 < value < 1:
        raise ValueError(f"{thing} {value} is not between 0 and 1, both excluded; {remedy}")
