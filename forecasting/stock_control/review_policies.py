"""When to order and how much: (R, S), (s, S) and (s, Q), in whole packs. Pure.

The position is on hand plus on the way less owed, and may be negative. All amounts are Decimal in the stock
unit. Where the levels come from is not decided here: see `safety_stock`, `newsvendor`, `order_quantity` and
`reorder_levels`. Names as in Silver, Pyke and Thomas, Inventory and Production Management in Supply Chains.
"""

from decimal import Decimal, localcontext

from forecasting.stock_control.numeric_checks import (
    PRECISION,
    ZERO,
    require_finite,
    require_not_negative,
    require_positive,
)


def order_up_to(position: Decimal, level: Decimal) -> Decimal:
    """(R, S): at each review, what brings the position to the level; 0 when it is there or above.

    Raises ValueError for a position or level that is NaN or infinite.
    """
    _require_position(position)
    require_finite("Level", level, "give the stock to order up to")
    return max(level - position, ZERO)


def reorder_up_to(position: Decimal, reorder_point: Decimal, level: Decimal) -> Decimal:
    """(s, S): at the reorder point or below it, what brings the position to the level; else 0.

    Raises ValueError for an amount that is NaN or infinite, and for a level that is not above the reorder
    point.
    """
    _require_position(position)
    require_finite("Reorder point", reorder_point, "give the position at which to order")
    require_finite("Level", level, "give the stock to order up to")
    if level <= reorder_point:
        raise ValueError(
            f"Level {level} is not above the reorder point {reorder_point}; raise it, or order up to it"
        )
    return order_up_to(position, level) if position <= reorder_point else ZERO


def reorder_quantity(position: Decimal, reorder_point: Decimal, quantity: Decimal) -> Decimal:
    """(s, Q): at the reorder point or below it, the fewest whole Q that bring the position above it; else 0.

    Raises ValueError for an amount that is NaN or infinite, and for a quantity that is not above 0.
    """
    _require_position(position)
    require_finite("Reorder point", reorder_point, "give the position at which to order")
    require_positive("Order quantity", quantity, "give the quantity of one order")
    if position > reorder_point:
        return ZERO
    with localcontext(prec=PRECISION):
        return ((reorder_point - position) // quantity + 1) * quantity


def whole_packs(
    quantity: Decimal, pack_size: Decimal, *, least: Decimal = ZERO, most: Decimal | None = None
) -> Decimal:
    """The quantity rounded up to whole packs, raised to `least`, and kept within `most`, rounded down.

    `pack_size` is what is sold or handed out as one (a box, a bottle), in stock units; `least` a supplier's
    smallest order, `most` the space or shelf life left. 0 when nothing is wanted, and when `most` has no
    room for one pack or for `least`.

    Raises ValueError for a quantity that is NaN or infinite, a pack size that is not above 0, and a negative
    `least` or `most`.
    """
    require_finite("Quantity", quantity, "give the quantity wanted, 0 or less for none")
    require_positive("Pack size", pack_size, "give how many stock units are in one pack, 1 for single units")
    require_not_negative("Least order", least, "give the smallest quantity the supplier accepts, 0 for any")
    if most is not None:
        require_not_negative("Most to order", most, "give the room left, 0 when there is none")
    if quantity <= 0:
        return ZERO
    with localcontext(prec=PRECISION):
        smallest = _packs_up(least, pack_size)
        packs = max(_packs_up(quantity, pack_size), smallest)
        if most is not None:
            packs = min(packs, most // pack_size)
        return packs * pack_size if packs >= smallest else ZERO


def _packs_up(quantity: Decimal, pack_size: Decimal) -> Decimal:
    whole, rest = divmod(quantity, pack_size)
    return whole + 1 if rest > 0 else whole


def _require_position(position: Decimal) -> None:
    require_finite("Position", position, "count the place, or rebuild its holdings")
