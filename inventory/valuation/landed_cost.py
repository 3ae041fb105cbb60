"""Landed cost: freight, duty and discount of a receipt shared over its lines, to the last cent. Pure."""

from collections.abc import Sequence
from decimal import Decimal, localcontext

from inventory.decimals import LAST_PLACE, PRECISION


def allocate(amount: Decimal, weights: Sequence[Decimal], step: Decimal) -> list[Decimal]:
    """Share `amount` by `weights` in multiples of `step`, by largest remainder; the shares sum to `amount`.

    The shares are first rounded down, then one step each goes to the largest remainders, the earlier line
    first when two are equal (Hamilton's method). When all weights are zero they count as equal. An amount
    that is not a multiple of `step` is shared in ten-thousandths instead.

    Raises ValueError when there is no line or a weight is negative.
    """
    if not weights:
        raise ValueError(f"{amount} cannot be shared over no lines")
    if any(weight < 0 for weight in weights):
        raise ValueError(f"weights {weights} must not be negative")
    if not any(weights):
        weights = [Decimal(1)] * len(weights)
    with localcontext(prec=PRECISION):
        if amount % step:
            step = LAST_PLACE
        sign = -1 if amount < 0 else 1
        steps = abs(amount) / step
        total = sum(weights, Decimal(0))
        # Remainders of whole divisions are exact; rounded quotients would make equal remainders differ.
        divided = [divmod(steps * weight, total) for weight in weights]
        shares = [int(share) for share, _ in divided]
        by_remainder = sorted(range(len(weights)), key=lambda i: -divided[i][1])
        for i in by_remainder[: int(steps) - sum(shares)]:
            shares[i] += 1
        return [sign * share * step for share in shares]


def landed_costs(
    costs: Sequence[Decimal],
    quantities: Sequence[Decimal],
    charges: Decimal,
    step: Decimal,
    *,
    by_quantity: bool = False,
) -> list[Decimal]:
    """Return each line's landed cost: its own cost and its share of `charges` (freight + duty - discount).

    `step` is the currency's minor unit (ISO 4217: 0.01 for two digits). Shared by cost, or by quantity when
    asked or when all lines are free of cost (IAS 2 paragraphs 10 and 11: cost includes all costs of bringing
    stock to its place, less trade discounts).

    When the discount is more than the charges, the difference is shared by cost, whatever was asked: no line
    can be discounted by more than it cost.
    """
    by_quantity = (by_quantity and charges >= 0) or not any(costs)
    if charges < 0 and any(cost % step for cost in costs):
        step = LAST_PLACE
    shares = allocate(charges, quantities if by_quantity else costs, step)
    return [cost + share for cost, share in zip(costs, shares, strict=True)]
