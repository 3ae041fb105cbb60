"""What is known of a consumable, and who sells it: the facts that purchases are decided by. Pure.

Quantities are Decimals in the consumable's stock unit, money is in the shop's currency net of tax.
"""

from dataclasses import dataclass
from decimal import Decimal

from forecasting.purchasing.lead_time_demand import BurnAhead
from forecasting.purchasing.lead_times import LeadTime
from forecasting.stock_control.numeric_checks import require_not_negative, require_positive, require_share
from forecasting.stock_control.price_breaks import PriceList
from forecasting.stock_control.quantile_demand import quantile_at
from forecasting.stock_control.spoilage import ExpiringLot, unused
from inventory.decimals import ZERO

# What is bought keeps until it is used in at least four of five cases: a choice of ours, no source.
SURELY_USED = 0.2
# Measured stock is planned in parts of its smallest pack; finer ones would change no order.
PARTS_OF_A_PACK = 20


@dataclass(frozen=True, slots=True)
class Offer:
    """One pack that a supplier sells; `key` names it.

    `charges` is what freight and duty less discount come to on its deliveries, as a share of the price.
    """

    key: int
    supplier: str
    pack: str
    units: Decimal
    prices: PriceList
    lead_time: LeadTime
    least_packs: int = 1
    charges: Decimal = ZERO

    def landed(self, packs: int) -> Decimal:
        """Return the cost of some packs at the depot."""
        return self.prices.cost(packs) * (1 + self.charges)


@dataclass(frozen=True, slots=True)
class Item:
    """A consumable at the depot: the book's stock, what is ordered, and what vans still wait for.

    `on_vans` is what they carry or is on its way to them; it is used up before what is bought now.
    `on_hand` may be negative; `whole` says that only whole stock units exist; `lots` are those of what is on
    hand that expire.
    """

    consumable: str
    unit: str
    on_hand: Decimal
    on_order: Decimal
    owed: Decimal
    on_vans: Decimal
    burn: BurnAhead
    offers: tuple[Offer, ...]
    whole: bool = True
    shelf_life_days: int | None = None
    lots: tuple[ExpiringLot, ...] = ()

    @property
    def spoilt(self) -> Decimal:
        """What of the stock on hand expires before it is used."""
        return min(unused(self.lots, self.burn.per_day, self.owed), max(self.on_hand, ZERO))

    @property
    def usable(self) -> Decimal:
        """What of the stock on hand will be used; a negative book counts as none."""
        return max(self.on_hand, ZERO) - self.spoilt

    @property
    def position(self) -> Decimal:
        """What is usable on hand, and on order, less what the vans wait for."""
        return self.usable + self.on_order - self.owed

    @property
    def most(self) -> Decimal | None:
        """The most to buy, so that all is used before it expires; None for what keeps forever."""
        if self.shelf_life_days is None:
            return None
        used = quantile_at(self.burn.levels, self.burn.over(self.shelf_life_days), SURELY_USED)
        return max(used - self.usable - self.on_order - max(self.on_vans, ZERO), ZERO)

    @property
    def counting_unit(self) -> Decimal:
        """What demand is counted in: 1, or a part of the smallest pack of what is measured."""
        if self.whole:
            return Decimal(1)
        smallest = min(offer.units for offer in self.offers)
        return max(round(smallest / PARTS_OF_A_PACK, 4), Decimal("0.0001"))


@dataclass(frozen=True, slots=True)
class SupplierRules:
    """What one order costs to place and receive, and the least value the supplier takes one for."""

    order_cost: Decimal = ZERO
    least_order_value: Decimal = ZERO

    def __post_init__(self) -> None:
        require_not_negative("Order cost", self.order_cost, "give 0 when an order costs nothing")
        require_not_negative("Least order value", self.least_order_value, "give 0 for any")


@dataclass(frozen=True, slots=True)
class ShopRules:
    """The shop's choices: service at the depot, days between reviews, and what keeping stock costs.

    `holding_rate` is the share of a unit's price that keeping it for a year costs; `cover_days` the most
    days that an order topped up to its supplier's least value may cover.
    """

    service: Decimal
    review_days: int
    cover_days: int
    holding_rate: Decimal

    def __post_init__(self) -> None:
        require_share("Service at the depot", float(self.service), "choose a share such as 0.95")
        require_positive("Review period", self.review_days, "give the days between reviews")
        require_positive("Cover after topping up", self.cover_days, "give the days")
        require_positive("Holding rate", self.holding_rate, "give a share of the price a year, such as 0.25")
