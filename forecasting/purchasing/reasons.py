"""Why a quantity is ordered, and why something is not, in one sentence. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from forecasting.purchasing.sourcing import Item, Offer
from inventory.decimals import HUNDRED
from shop.common.text import exact, hundredths_up

MANY = 5


@dataclass(frozen=True, slots=True)
class PurchaseReasons:
    """The facts that decide one line; quantities in stock units except packs."""

    item: Item
    offer: Offer
    service: Decimal
    review_days: int
    reorder_level: Decimal
    order_up_to: Decimal
    missing: Decimal
    packs: int
    joins: bool
    for_break: bool
    topped_up: int
    cover_days: Decimal | None

    def sentence(self) -> str:
        """Return the sentence: the stock, what it must cover, how much is missing, and what changed that."""
        parts = (self._there_is(), self._needed(), self._bought(), self._limited())
        return f"{'; '.join(part for part in parts if part)}."

    def _there_is(self) -> str:
        item = self.item
        if item.on_hand < 0:
            owes = f"{hundredths_up(-item.on_hand)} {item.unit}"
            stock = f"By the book the depot owes {owes} (taken as none: count it)"
        else:
            stock = f"{hundredths_up(item.on_hand)} {item.unit} in the depot"
        if item.spoilt:
            stock += f", of which {hundredths_up(item.spoilt)} will expire before they are used"
        order = f", {hundredths_up(item.on_order)} on order" if item.on_order else ""
        owed = f", less {hundredths_up(item.owed)} that vans wait for" if item.owed else ""
        return f"{stock}{order}{owed}"

    def _needed(self) -> str:
        lead = hundredths_up(Decimal(self.offer.lead_time.mean_days))
        days = f"the next {lead} days of delivery and {self.review_days} to the next review"
        chance = f"in {hundredths_up(self.service * HUNDRED)} of 100 cases"
        level = f"{hundredths_up(self.reorder_level)} cover {days} {chance}"
        if self.joins:
            return f"{level}, so it would be due by then and joins the order"
        return level

    def _bought(self) -> str:
        packs = f"{self.packs} x {self.offer.pack} of {hundredths_up(self.offer.units)}"
        if not self.missing:
            return f"{packs} only bring the order to the supplier's least value"
        more = f", {self.topped_up} of them to bring the order to the least value" if self.topped_up else ""
        reached = ", for the lower price from there on" if self.for_break else ""
        up_to = f"{hundredths_up(self.missing)} are missing up to {hundredths_up(self.order_up_to)}"
        return f"{up_to}: {packs}{reached}{more}"

    def _limited(self) -> str:
        most = self.item.most
        if most is None:
            return ""
        days = self.item.shelf_life_days
        return f"no more than {hundredths_up(most)} will surely be used in the {days} days that it keeps"


def unsellable(item: Item) -> str:
    """Say why a consumable that runs out cannot be bought in any pack on offer."""
    smallest = min(offer.least_packs * offer.units for offer in item.offers)
    return (
        f"the least that is sold, {hundredths_up(smallest)} {item.unit}, is more than "
        f"the {hundredths_up(item.most or Decimal(0))} that will surely be used in the "
        f"{item.shelf_life_days} days that it keeps; find a smaller pack, or buy by hand"
    )


def too_small(consumables: Sequence[str], value: Decimal, least: Decimal, cover_days: int) -> str:
    """Say why what runs out is not ordered: the supplier takes no order as small."""
    shown = ", ".join(consumables[:MANY]) + (" and more" if len(consumables) > MANY else "")
    return (
        f"{shown} should be ordered, but even with {cover_days} days of cover the order comes to "
        f"{exact(value)}, below the least value of {exact(least)}; raise the days of cover, or order by hand"
    )
