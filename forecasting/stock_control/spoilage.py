"""How much of a stock expires before it is used. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, localcontext

from forecasting.stock_control.numeric_checks import rounded
from inventory.decimals import PRECISION, ZERO


@dataclass(frozen=True, slots=True)
class ExpiringLot:
    """Stock units, and the days on which they may still be used, today included; 0 once expired."""

    days: int
    quantity: Decimal

    @classmethod
    def on(cls, expires_on: date, today: date, quantity: Decimal) -> "ExpiringLot":
        """Return a lot by its day, on which it may be used still."""
        return cls(max((expires_on - today).days + 1, 0), quantity)


def unused(lots: Iterable[ExpiringLot], per_day: Decimal, owed: Decimal = ZERO) -> Decimal:
    """Return what of these lots will not be used before it expires, at the mean burn of a day.

    What expires first is used first. All that is asked for now (`owed`) goes out at once, of what has not
    expired; the burn is not used on top of it, as it is what the asked for is for.
    """
    used, spoilt = ZERO, ZERO
    with localcontext(prec=PRECISION):
        for lot in sorted(lots, key=lambda one: one.days):
            usable = max(lot.days * per_day, owed) if lot.days > 0 else ZERO
            part = min(lot.quantity, max(usable - used, ZERO))
            used += part
            spoilt += lot.quantity - part
        return rounded(spoilt)
