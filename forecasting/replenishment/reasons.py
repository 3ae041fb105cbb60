"""Why a van gets the quantity it gets, in one sentence. Pure."""

from dataclasses import dataclass
from decimal import Decimal

from forecasting.stock_control.review_policies import whole_packs
from inventory.decimals import HUNDRED
from shop.common.text import tenths_up


@dataclass(frozen=True, slots=True)
class RestockReasons:
    """The facts that decide one line; quantities in the stock unit `unit`."""

    unit: str
    interval_days: int
    service: Decimal
    level: Decimal
    booked_jobs: int
    booked_decides: bool
    on_hand: Decimal
    expired: Decimal
    expiring: Decimal
    on_the_way: Decimal
    missing: Decimal
    usable_unit: Decimal
    room: Decimal | None
    wanted: Decimal
    depot: Decimal
    depot_expired: Decimal
    suggested: Decimal

    def sentence(self) -> str:
        """Return the sentence: what is needed, what there is, what is missing, and what limits it."""
        limits = "".join((self._rounding(), self._room(), self._depot()))
        return f"{self._needed()}; {self._there_is()}, {self._missing()}{limits}."

    def _needed(self) -> str:
        chance = f"in {tenths_up(self.service * HUNDRED)} of 100 cases"
        level = tenths_up(self.level) if self.unit == "each" else f"{tenths_up(self.level)} {self.unit}"
        if self.booked_decides:
            jobs = "1 booked job takes" if self.booked_jobs == 1 else f"{self.booked_jobs} booked jobs take"
            return f"{jobs} no more than {level} {chance}"
        if not self.level:
            return f"nothing is used in {self.interval_days} days {chance}"
        covers = "covers" if self.level == 1 else "cover"
        days = "day" if self.interval_days == 1 else f"{self.interval_days} days"
        return f"{level} {covers} the next {days} {chance}"

    def _there_is(self) -> str:
        way = f" and {tenths_up(self.on_the_way)} on the way" if self.on_the_way else ""
        if self.on_hand < 0:
            return f"by the book the van owes {tenths_up(-self.on_hand)} (taken as none: count it){way}"
        return f"with {tenths_up(self.on_hand) if self.on_hand else 'none'} on board{self._spoilt()}{way}"

    def _spoilt(self) -> str:
        said = [
            f"{tenths_up(quantity)} {what}"
            for quantity, what in ((self.expired, "expired"), (self.expiring, "will expire unused"))
            if quantity
        ]
        return f" ({', '.join(said)})" if said else ""

    def _missing(self) -> str:
        if not self.missing:
            return "nothing is missing"
        return f"{tenths_up(self.missing)} {'is' if self.missing == 1 else 'are'} missing"

    def _rounding(self) -> str:
        whole = whole_packs(self.missing, self.usable_unit)
        if tenths_up(whole) == tenths_up(self.missing):
            return ""
        if self.usable_unit == 1:
            return f", rounded up to {tenths_up(whole)}"
        return f", {tenths_up(whole)} in whole {tenths_up(self.usable_unit)} {self.unit}"

    def _room(self) -> str:
        if self.room is None or self.wanted >= self.missing:
            return ""
        return f"; the van has room for {tenths_up(self.room)} in all, so {tenths_up(self.wanted)} fit"

    def _depot(self) -> str:
        if self.suggested == self.wanted:
            return ""
        expired = f" ({tenths_up(self.depot_expired)} there expired)" if self.depot_expired else ""
        if self.depot <= 0:
            return f"; the depot has none to give{expired}"
        had = f"{tenths_up(self.depot)} for all vans{expired}"
        return f"; the depot has {had}, {tenths_up(self.suggested)} of it for this one"
