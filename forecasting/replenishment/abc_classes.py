"""Which class of service a consumable is in: what stops a job first, then by the value used (ABC). Pure."""

from collections.abc import Collection, Mapping
from decimal import Decimal, localcontext

from forecasting.stock_control.numeric_checks import require_not_negative, require_share
from inventory.decimals import PRECISION, ZERO

STOPS_A_JOB, A, B, C = "stops a job", "A", "B", "C"


def service_classes(
    used: Mapping[str, Decimal], stops: Collection[str], a_share: Decimal, b_share: Decimal
) -> dict[str, str]:
    """Return the class of each consumable of `used`, by its code.

    `used` is the value used over a year, `stops` are those that stop a job when missing; these are a class of
    their own. All are ranked by value, the largest first, of equals by code: those that make up the first
    `a_share` of the whole value are A (the one that crosses it too), those up to `b_share` B, the others C;
    what was not used is C. Cuts at 0.8 and 0.95 are common practice, no source.

    Raises ValueError for a negative value, and unless 0 < a_share < b_share < 1.
    """
    require_share("Share of class A", float(a_share), "give a share such as 0.8")
    require_share("Share of classes A and B", float(b_share), "give a share such as 0.95")
    if a_share >= b_share:
        raise ValueError(f"Share of class A {a_share} is not below that of A and B, {b_share}; lower it")
    for code, value in used.items():
        require_not_negative(f"Value used of {code}", value, "correct the costs that made it")
    total = sum(used.values(), ZERO)
    classes = {}
    before = ZERO
    with localcontext(prec=PRECISION):
        for code, value in sorted(used.items(), key=lambda item: (-item[1], item[0])):
            if code in stops:
                classes[code] = STOPS_A_JOB
            elif value == 0 or before >= b_share * total:
                classes[code] = C
            else:
                classes[code] = A if before < a_share * total else B
            before += value
    return classes
