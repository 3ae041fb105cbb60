"""How much one order should bring of each item, where one supplier's items share its cost. Pure."""

from collections.abc import Sequence
from decimal import Decimal, localcontext

from forecasting.purchasing.sourcing import Item, Offer
from forecasting.stock_control.eoq import (
    order_quantity_with_all_units_discount,
    order_quantity_with_incremental_discount,
)
from forecasting.stock_control.numeric_checks import rounded
from inventory.decimals import PRECISION, ZERO

DAYS_A_YEAR = 365
# A longer one would rest on a forecast that nobody has; a choice of ours, no source.
LONGEST_CYCLE_DAYS = 365
# Where an order costs nothing, price breaks alone decide; the formulas need some cost to divide by.
NEXT_TO_NOTHING = Decimal("0.0001")


def cycle_quantities(
    asked: Sequence[tuple[Item, Offer]], order_cost: Decimal, holding_rate: Decimal
) -> list[Decimal]:
    """Return the economic quantity of each item in stock units, in the order given; all of one supplier.

    Items that are always ordered together share one cycle, sqrt(2 x order cost / (sum of holding cost x
    rate)), as in joint replenishment. Each bears the part of the order's cost that makes its own
    economic cycle this one: in proportion to its holding cost x rate. Price breaks are then weighed against
    that part. 0 for an item that is not used, and where neither an order costs anything nor a break pays.
    `holding_rate` is a share of the price a year.
    """
    parts = _parts_of_the_cost(asked, order_cost)
    return [
        cycle_quantity(item, offer, part, holding_rate)
        for (item, offer), part in zip(asked, parts, strict=True)
    ]


def cycle_quantity(item: Item, offer: Offer, fixed_cost: Decimal, holding_rate: Decimal) -> Decimal:
    """Return the economic quantity of one item that alone bears `fixed_cost` an order."""
    rate = item.burn.per_day
    if rate <= 0 or (fixed_cost == 0 and not offer.prices.breaks):
        return ZERO
    of = (
        order_quantity_with_all_units_discount
        if offer.prices.all_units
        else order_quantity_with_incremental_discount
    )
    found = of(
        max(fixed_cost, NEXT_TO_NOTHING),
        holding_rate / DAYS_A_YEAR,
        rate,
        offer.prices.in_stock_units(offer.units),
    )
    if fixed_cost == 0 and found.price_break.from_quantity == 0:
        return ZERO
    return min(found.quantity, rounded(rate * LONGEST_CYCLE_DAYS))


def _parts_of_the_cost(asked: Sequence[tuple[Item, Offer]], order_cost: Decimal) -> list[Decimal]:
    with localcontext(prec=PRECISION):
        # What keeping one cycle's stock costs a day goes with this, whatever the cycle.
        holding = [offer.prices.price / offer.units * item.burn.per_day for item, offer in asked]
        total = sum(holding, ZERO)
        return [order_cost * part / total if total else ZERO for part in holding]
