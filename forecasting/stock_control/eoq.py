"""The order quantity with the least cost per period at a steady demand (EOQ), also with price breaks. Pure.

Fixed cost is money per order, demand rate stock units per period, holding cost money per unit and period; a
holding rate is the share of the unit cost that keeping a unit costs per period. Source: Snyder and Shen,
Fundamentals of Supply Chain Theory, 2nd ed., sections 3.2 to 3.5. All arguments and results are Decimal;
results have 4 places.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext
from itertools import pairwise

from forecasting.stock_control.numeric_checks import require_not_negative, require_positive, rounded
from inventory.decimals import PRECISION, ZERO


@dataclass(frozen=True, slots=True)
class QuantityDiscount:
    """The unit cost from a quantity on."""

    from_quantity: Decimal
    unit_cost: Decimal


@dataclass(frozen=True, slots=True)
class DiscountedQuantity:
    """How much to order each time, at which price break, and the cost per period, purchases included."""

    quantity: Decimal
    price_break: QuantityDiscount
    cost: Decimal


def order_quantity_with_all_units_discount(
    fixed_cost: Decimal, holding_rate: Decimal, demand_rate: Decimal, breaks: Sequence[QuantityDiscount]
) -> DiscountedQuantity:
    """The cheapest quantity when reaching a break lowers the unit cost of the whole order.

    Within one break's region the cost falls to its EOQ and then rises, so the candidates are each EOQ, or the
    break's own quantity when its EOQ is smaller. An EOQ that reaches the next break is not a candidate: the
    next break is cheaper there. Among equal costs the smaller quantity wins.

    Raises ValueError when an amount is not a finite number above 0, and for breaks that do not start at 0, do
    not rise in quantity, or rise in unit cost.
    """
    _require_order(fixed_cost, demand_rate)
    _require_holding_rate(holding_rate)
    _require_breaks(breaks)
    candidates = []
    with localcontext(prec=PRECISION):
        for price, next_quantity in _regions(breaks):
            holding_cost = holding_rate * price.unit_cost
            best = (2 * fixed_cost * demand_rate / holding_cost).sqrt()
            if next_quantity is not None and best >= next_quantity:
                continue
            quantity = max(best, price.from_quantity)
            cost = (
                price.unit_cost * demand_rate
                + fixed_cost * demand_rate / quantity
                + holding_cost * quantity / 2
            )
            candidates.append((cost, quantity, price))
        cost, quantity, price = min(candidates, key=lambda candidate: candidate[:2])
        return DiscountedQuantity(rounded(quantity), price, rounded(cost))


def order_quantity_with_incremental_discount(
    fixed_cost: Decimal, holding_rate: Decimal, demand_rate: Decimal, breaks: Sequence[QuantityDiscount]
) -> DiscountedQuantity:
    """The cheapest quantity when reaching a break lowers the unit cost of the further units only.

    An order that reaches a break costs what the units below it cost more than they would at the break's
    unit cost; that excess acts as a further fixed cost, and its stock is held at the average unit cost. The
    optimum is never at a break itself. Among equal costs the smaller quantity wins.

    Raises ValueError as `order_quantity_with_all_units_discount` does.
    """
    _require_order(fixed_cost, demand_rate)
    _require_holding_rate(holding_rate)
    _require_breaks(breaks)
    candidates = []
    with localcontext(prec=PRECISION):
        excess = ZERO
        previous_unit_cost = breaks[0].unit_cost
        for price, next_quantity in _regions(breaks):
            excess += (previous_unit_cost - price.unit_cost) * price.from_quantity
            previous_unit_cost = price.unit_cost
            holding_cost = holding_rate * price.unit_cost
            quantity = (2 * (fixed_cost + excess) * demand_rate / holding_cost).sqrt()
            if quantity < price.from_quantity or (next_quantity is not None and quantity >= next_quantity):
                continue
            cost = price.unit_cost * demand_rate + holding_rate * excess / 2 + holding_cost * quantity
            candidates.append((cost, quantity, price))
        cost, quantity, price = min(candidates, key=lambda candidate: candidate[:2])
        return DiscountedQuantity(rounded(quantity), price, rounded(cost))


def _regions(breaks: Sequence[QuantityDiscount]) -> list[tuple[QuantityDiscount, Decimal | None]]:
    """Each break with the quantity at which the next one begins; None after the last."""
    return list(zip(breaks, [*(price.from_quantity for price in breaks[1:]), None], strict=True))


def _require_order(fixed_cost: Decimal, demand_rate: Decimal) -> None:
    require_positive(
        "Fixed cost",
        fixed_cost,
        "give what placing one order costs; when it costs nothing, order up to a level",
    )
    require_positive(
        "Demand rate", demand_rate, "give the use per period; without use there is nothing to order"
    )


def _require_holding_rate(holding_rate: Decimal) -> None:
    require_positive(
        "Holding rate",
        holding_rate,
        "give the share of a unit's cost that keeping it costs per period, as 0.02",
    )


def _require_breaks(breaks: Sequence[QuantityDiscount]) -> None:
    if not breaks:
        raise ValueError("Price breaks: there are none; give at least the unit cost from quantity 0")
    for price in breaks:
        require_not_negative(
            "Price break from quantity", price.from_quantity, "give the quantity it starts at"
        )
        require_positive(
            f"Price break from quantity {price.from_quantity}: unit cost", price.unit_cost, "give its price"
        )
    if breaks[0].from_quantity != 0:
        raise ValueError(
            f"Price breaks: the first starts at quantity {breaks[0].from_quantity}; "
            "let it start at 0 and give a least order quantity to the rounding to whole packs"
        )
    for lower, upper in pairwise(breaks):
        if upper.from_quantity <= lower.from_quantity:
            raise ValueError(
                f"Price breaks: quantity {upper.from_quantity} follows {lower.from_quantity}; "
                "list the breaks by rising quantity, each once"
            )
        if upper.unit_cost > lower.unit_cost:
            raise ValueError(
                f"Price break from quantity {upper.from_quantity}: unit cost {upper.unit_cost} is above "
                f"the {lower.unit_cost} of smaller orders; check the supplier's price list"
            )
