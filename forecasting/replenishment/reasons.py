"""Why a van gets what it gets, in one sentence. Pure."""

from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

from forecasting.stock_control.review_policies import whole_packs

HUNDRED = Decimal(100)


@dataclass(frozen=True, slots=True)
class Reasons:
    """All that decided one line; quantities in the stock unit `unit`."""

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
        chance = f"in {plain(self.service * HUNDRED)} of 100 cases"
        level = plain(self.level) if self.unit == "each" else f"{plain(self.level)} {self.unit}"
        if self.booked_decides:
            jobs = "1 booked job takes" if self.booked_jobs == 1 else f"{self.booked_jobs} booked jobs take"
            return f"{jobs} no more than {level} {chance}"
        if not self.level:
            return f"nothing is used in {self.interval_days} days {chance}"
        lasts = "lasts" if self.level == 1 else "last"
        return f"{level} {lasts} {self.interval_days} days {chance}"

    def _there_is(self) -> str:
        way = f" and {plain(self.on_the_way)} on the way" if self.on_the_way else ""
        if self.on_hand < 0:
            return f"by the book the van owes {plain(-self.on_hand)} (taken as none: count it){way}"
        return f"with {plain(self.on_hand) if self.on_hand else 'none'} on board{self._spoilt()}{way}"

    def _spoilt(self) -> str:
        said = [
            f"{plain(quantity)} {what}"
            for quantity, what in ((self.expired, "expired"), (self.expiring, "to expire unused"))
            if quantity
        ]
        return f" ({', '.join(said)})" if said else ""

    def _missing(self) -> str:
        if not self.missing:
            return "nothing is missing"
        return f"{plain(self.missing)} {'is' if self.missing == 1 else 'are'} missing"

    def _rounding(self) -> str:
        whole = whole_packs(self.missing, self.usable_unit)
        if plain(whole) == plain(self.missing):
            return ""
        if self.usable_unit == 1:
            return f", rounded up to {plain(whole)}"
        return f", {plain(whole)} in whole {plain(self.usable_unit)} {self.unit}"

    def _room(self) -> str:
        if self.room is None or self.wanted >= self.missing:
            return ""
        return f"; the van has room for {plain(self.room)} in all, so {plain(self.wanted)} fit"

    def _depot(self) -> str:
        if self.suggested == self.wanted:
            return ""
        expired = f" ({plain(self.depot_expired)} there expired)" if self.depot_expired else ""
        if self.depot <= 0:
            return f"; the depot has none to give{expired}"
        had = f"{plain(self.depot)} for all vans{expired}"
        return f"; the depot has {had}, {plain(self.suggested)} of it for this one"


def plain(quantity: Decimal) -> str:
    """Return a quantity as people say it, rounded up: one decimal from 1 on, three below."""
    if quantity != quantity.to_integral_value():
        quantity = quantity.quantize(Decimal("0.1" if quantity >= 1 else "0.001"), rounding=ROUND_CEILING)
    return f"{quantity.normalize():,f}"
