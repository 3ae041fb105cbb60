"""What a number of packs costs, with price breaks of both kinds. Pure.

Money is Decimal in the shop's currency net of tax, for one pack; a break holds from a number of packs on.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, localcontext
from itertools import pairwise
from typing import Any

from forecasting.stock_control.eoq import QuantityDiscount
from forecasting.stock_control.numeric_checks import require_not_negative, rounded
from inventory.decimals import PRECISION, ZERO


@dataclass(frozen=True, slots=True)
class PriceList:
    """The price of one pack, and lower ones from some numbers of packs on.

    With `all_units` a break lowers the price of the whole order, else that of the packs beyond it only.
    `breaks` are (packs, price), by rising packs. Raises ValueError for invalid breaks.
    """

    price: Decimal
    all_units: bool = True
    breaks: tuple[tuple[int, Decimal], ...] = ()

    def __post_init__(self) -> None:
        require_not_negative("Price of a pack", self.price, "give 0 for what is free")
        for (before, before_price), (packs, price) in pairwise(((1, self.price), *self.breaks)):
            require_not_negative(f"Price from {packs} packs", price, "give 0 for what is free")
            if packs <= before:
                raise ValueError(f"Price from {packs} packs follows the one from {before}; sort them")
            if price > before_price:
                raise ValueError(
                    f"Price from {packs} packs is {price:f}, above the {before_price:f} of fewer; "
                    "check the supplier's price list"
                )

    def cost(self, packs: int) -> Decimal:
        """Return the cost of an order of some packs."""
        if self.all_units:
            return packs * self.price_at(packs)
        steps = [(0, self.price), *((first - 1, price) for first, price in self.breaks)]
        ends = [start for start, _ in steps[1:]]
        total = ZERO
        for (start, price), end in zip(steps, [*ends, packs], strict=True):
            total += max(min(packs, end) - start, 0) * price
        return total

    def price_at(self, packs: int) -> Decimal:
        """Return the price of the last pack of an order."""
        found = self.price
        for first, price in self.breaks:
            if packs >= first:
                found = price
        return found

    def average(self, packs: int) -> Decimal:
        """Return the average price of a pack of an order; the first price for no packs."""
        return rounded(self.cost(packs) / packs) if packs else self.price

    def in_stock_units(self, pack_units: Decimal) -> list[QuantityDiscount]:
        """Return the prices by stock unit, as `forecasting.stock_control.eoq` takes them.

        There an incremental price is that of the quantity beyond the break, so it starts one pack earlier.
        """
        shift = 0 if self.all_units else 1
        starts = [(0, self.price), *((first - shift, price) for first, price in self.breaks)]
        with localcontext(prec=PRECISION):
            return [QuantityDiscount(start * pack_units, price / pack_units) for start, price in starts]

    def to_json(self) -> dict[str, Any]:
        """Return the list as JSON values."""
        return {
            "price": f"{self.price:f}",
            "all_units": self.all_units,
            "breaks": [[packs, f"{price:f}"] for packs, price in self.breaks],
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> "PriceList":
        """Return the list that `to_json` made."""
        breaks = tuple((packs, Decimal(price)) for packs, price in stored["breaks"])
        return cls(Decimal(stored["price"]), stored["all_units"], breaks)
