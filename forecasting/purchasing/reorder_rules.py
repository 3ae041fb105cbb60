"""What to order from whom: the depot's stock against what all vans will burn. Pure.

(s, S) for each consumable: at the reorder level s or below it, order up to S. s lasts lead time and review
period at the wanted service, under a lead time that varies; S is s and the economic quantity of one order.
Packs, price breaks, shelf life and the supplier's least order value then adjust the quantity.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from forecasting.purchasing.order_cycles import cycle_quantities, cycle_quantity
from forecasting.purchasing.reasons import PurchaseReasons, too_small, unsellable
from forecasting.purchasing.sourcing import Item, Offer, ShopRules, SupplierRules
from forecasting.stock_control.numeric_checks import rounded
from forecasting.stock_control.quantile_demand import quantile_at
from forecasting.stock_control.review_policies import order_up_to, whole_packs
from forecasting.stock_control.safety_stock import base_stock
from inventory.decimals import ZERO

MEDIAN, HIGH = 0.5, 0.95


@dataclass(frozen=True, slots=True)
class Wish:
    """An item with the offer chosen for it, its levels, and the packs to order so far.

    `joins` says that it is ordered only along with what is due; `for_break` that it was raised to a price
    break; `topped_up` how many of the packs only bring the order to the supplier's least value.
    """

    item: Item
    offer: Offer
    reorder_level: Decimal
    cycle: Decimal
    missing: Decimal = ZERO
    packs: int = 0
    joins: bool = False
    for_break: bool = False
    topped_up: int = 0

    @property
    def order_up_to(self) -> Decimal:
        return self.reorder_level + self.cycle

    @property
    def cost(self) -> Decimal:
        return self.offer.prices.cost(self.packs)

    def cover_days(self, packs: int) -> Decimal | None:
        """Return how long the position with these packs lasts at the mean burn; None without burn."""
        rate = self.item.burn.per_day
        return rounded((self.item.position + packs * self.offer.units) / rate) if rate > 0 else None

    def fits(self, packs: int) -> bool:
        """Return whether these packs are used up before they expire."""
        most = self.item.most
        return most is None or packs * self.offer.units <= most


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One line of an order: the wish it meets, the burn it was decided by, and why, in one sentence."""

    wish: Wish
    median: Decimal
    high: Decimal
    why: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What should have been ordered and cannot be: a consumable, or all that a supplier would have sent."""

    consumable: str
    supplier: str
    reason: str


@dataclass(frozen=True, slots=True)
class OrderPlan:
    """The lines to order from each supplier, by its code, and what cannot be ordered."""

    orders: dict[str, list[OrderLine]]
    left_out: list[LeftOut]


def decide(items: Sequence[Item], suppliers: Mapping[str, SupplierRules], rules: ShopRules) -> OrderPlan:
    """Decide for all items at once; every item has an offer, every offer's supplier its rules.

    Of several offers the cheapest at the depot for the quantity is taken. An order below its supplier's
    least value is topped up by what runs out next, or is not placed and said to be left out.
    """
    left_out = []
    by_supplier: dict[str, list[Wish]] = defaultdict(list)
    for item in items:
        wish = _choose(item, suppliers, rules)
        if wish is not None:
            by_supplier[wish.offer.supplier].append(wish)
        elif any(_is_due(item, _reorder_level(item, offer, rules), ZERO) for offer in item.offers):
            left_out.append(LeftOut(item.consumable, "", unsellable(item)))
    orders = {}
    for supplier, wishes in sorted(by_supplier.items()):
        ordered = _of_one_supplier(wishes, suppliers[supplier], rules)
        lines = [_line(wish, rules) for wish in ordered if wish.packs]
        if not lines:
            continue
        value = sum((line.wish.cost for line in lines), ZERO)
        if value < suppliers[supplier].least_order_value:
            reason = too_small(
                [line.wish.item.consumable for line in lines],
                value,
                suppliers[supplier].least_order_value,
                rules.cover_days,
            )
            left_out.append(LeftOut("", supplier, reason))
        else:
            orders[supplier] = lines
    return OrderPlan(orders, left_out)


def _reorder_level(item: Item, offer: Offer, rules: ShopRules) -> Decimal:
    """The fewest stock units that last lead time and review period at the service wanted."""
    unit = item.counting_unit
    demand = item.burn.until_received(offer.lead_time, rules.review_days, unit)
    return base_stock(float(rules.service), demand) * unit


def _is_due(item: Item, reorder_level: Decimal, cycle: Decimal) -> bool:
    return item.position < reorder_level or (cycle > 0 and item.position <= reorder_level)


def _choose(item: Item, suppliers: Mapping[str, SupplierRules], rules: ShopRules) -> Wish | None:
    """Return the wish with the offer that is cheapest by the unit; None when all would outlive their life."""
    found: list[tuple[tuple[Decimal, float, str, str], Wish]] = []
    for offer in item.offers:
        order_cost = suppliers[offer.supplier].order_cost
        cycle = cycle_quantity(item, offer, order_cost, rules.holding_rate)
        wish = Wish(item, offer, _reorder_level(item, offer, rules), cycle)
        wanted = max(order_up_to(item.position, wish.order_up_to), cycle, offer.units)
        if packs := _packs(wish, wanted)[0]:
            by_unit = offer.landed(packs) / (packs * offer.units)
            found.append(((by_unit, offer.lead_time.mean_days, offer.supplier, offer.pack), wish))
    return min(found, key=lambda one: one[0])[1] if found else None


def _of_one_supplier(wishes: Sequence[Wish], supplier: SupplierRules, rules: ShopRules) -> list[Wish]:
    """Return the wishes with the packs to order of each; none when nothing is due."""
    asked = [(wish.item, wish.offer) for wish in wishes]
    cycles = cycle_quantities(asked, supplier.order_cost, rules.holding_rate)
    wishes = [replace(wish, cycle=cycle) for wish, cycle in zip(wishes, cycles, strict=True)]
    due = [_is_due(wish.item, wish.reorder_level, wish.cycle) for wish in wishes]
    if not any(due):
        return []
    ordered = []
    for wish, is_due in zip(wishes, due, strict=True):
        joins = not is_due and supplier.order_cost > 0 and _is_due_soon(wish, rules)
        wanted = order_up_to(wish.item.position, wish.order_up_to) if is_due or joins else ZERO
        packs, for_break = _packs(wish, wanted)
        ordered.append(replace(wish, missing=wanted, packs=packs, joins=joins, for_break=for_break))
    return _topped_up(ordered, supplier.least_order_value, rules)


def _is_due_soon(wish: Wish, rules: ShopRules) -> bool:
    """Whether an order of its own would be due by the next review, at the mean burn."""
    return wish.item.position <= wish.reorder_level + rules.review_days * wish.item.burn.per_day


def _packs(wish: Wish, wanted: Decimal) -> tuple[int, bool]:
    """Return the packs for a quantity, and whether a price break made them more.

    More are taken where that costs no more, and where the economic quantity was chosen for the break.
    """
    offer = wish.offer
    least = offer.least_packs * offer.units
    packs = needed = int(whole_packs(wanted, offer.units, least=least, most=wish.item.most) / offer.units)
    if not packs:
        return 0, False
    for first, _ in offer.prices.breaks:
        worth_it = offer.prices.cost(first) <= offer.prices.cost(packs) or first * offer.units <= wish.cycle
        if first > packs and worth_it and wish.fits(first):
            packs = first
    return packs, packs > needed


def _topped_up(wishes: Sequence[Wish], least_value: Decimal, rules: ShopRules) -> list[Wish]:
    """Add packs of what runs out next until the order is worth the least value, or nothing more may be added.

    No item is bought beyond its shelf life, nor for more days than the shop's cover once it has arrived.
    """
    wishes = list(wishes)
    if not any(wish.packs for wish in wishes):
        return wishes
    while sum((wish.cost for wish in wishes), ZERO) < least_value:
        next_ones = [
            (cover, number)
            for number, wish in enumerate(wishes)
            if (cover := wish.cover_days(wish.packs)) is not None and _may_grow(wish, rules)
        ]
        if not next_ones:
            break
        number = min(next_ones)[1]
        wish = wishes[number]
        more = _step(wish)
        wishes[number] = replace(wish, packs=wish.packs + more, topped_up=wish.topped_up + more)
    return wishes


def _step(wish: Wish) -> int:
    return 1 if wish.packs else wish.offer.least_packs


def _may_grow(wish: Wish, rules: ShopRules) -> bool:
    packs = wish.packs + _step(wish)
    cover = wish.cover_days(packs)
    longest = Decimal(round(wish.offer.lead_time.mean_days)) + rules.cover_days
    return cover is not None and cover <= longest and wish.fits(packs)


def _line(wish: Wish, rules: ShopRules) -> OrderLine:
    item, lead_time = wish.item, wish.offer.lead_time
    burn = item.burn.over(rules.review_days + lead_time.mean_days)
    reasons = PurchaseReasons(
        item=item,
        offer=wish.offer,
        service=rules.service,
        review_days=rules.review_days,
        reorder_level=wish.reorder_level,
        order_up_to=wish.order_up_to,
        missing=wish.missing,
        packs=wish.packs,
        joins=wish.joins,
        for_break=wish.for_break,
        topped_up=wish.topped_up,
        cover_days=wish.cover_days(wish.packs),
    )
    return OrderLine(
        wish,
        median=rounded(quantile_at(item.burn.levels, burn, MEDIAN)),
        high=rounded(quantile_at(item.burn.levels, burn, HIGH)),
        why=reasons.sentence(),
    )
