"""How much to order: up to a level, in whole packs. Pure.

The position is on hand plus on the way less owed, and may be negative. All amounts are Decimal in the stock
unit. Where the levels come from is not decided here: see `safety_stock` and `order_quantity`. Names as in
Silver, Pyke and Thomas, Inventory and Production Management in Supply Chains.
"""

from decimal import Decimal, localcontext

from forecasting.stock_control.numeric_checks import require_finite, require_not_negative, require_positive
from inventory.decimals import PRECISION, ZERO


def order_up_to(position: Decimal, level: Decimal) -> Decimal:
    """(R, S): at each review, what brings the position to the level; 0 when it is there or above.

    Raises ValueError for a position or level that is NaN or infinite.
    """
    require_finite("Position", position, "count the place, or rebuild its holdings")
    require_finite("Level", level, "give the stock to order up to")
    return max(level - position, ZERO)


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
