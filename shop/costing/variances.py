"""Standard against actual: why a job, or a month, cost more or less than its standard. Pure.

Sign: a variance is actual less standard cost, so **positive is unfavourable** (it cost more) and negative
favourable. Every variance is a difference of costs rounded to 4 places half-even, so the parts add up to the
whole to the last digit. Formulas: any management accounting text, e.g. OpenStax, *Principles of Accounting,
Volume 2: Managerial Accounting*, chapter 8.
"""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from shop.costing.formulas import MINUTES_PER_HOUR, rounded_share


@dataclass(frozen=True, slots=True)
class MaterialVariances:
    """Price: paid more per unit than the standard. Quantity: used more than the standard."""

    price: Decimal
    quantity: Decimal

    def __add__(self, other: "MaterialVariances") -> "MaterialVariances":
        return MaterialVariances(self.price + other.price, self.quantity + other.quantity)

    @property
    def total(self) -> Decimal:
        return self.price + self.quantity


@dataclass(frozen=True, slots=True)
class LabourVariances:
    """Rate: an hour cost more than the standard. Efficiency: it took longer than the standard."""

    rate: Decimal
    efficiency: Decimal

    def __add__(self, other: "LabourVariances") -> "LabourVariances":
        return LabourVariances(self.rate + other.rate, self.efficiency + other.efficiency)

    @property
    def total(self) -> Decimal:
        return self.rate + self.efficiency


def material_variances(
    *, actual_quantity: Decimal, actual_cost: Decimal, standard_quantity: Decimal, standard_price: Decimal
) -> MaterialVariances:
    """Split actual less standard cost of one consumable into price and quantity.

    Takes the actual cost, as the ledger knows it, and not a price per unit that would have to be rounded.
    price = actual cost - standard price x actual quantity;
    quantity = standard price x (actual quantity - standard quantity).
    """
    at_standard_price = rounded_share(standard_price, actual_quantity, Decimal(1))
    standard_cost = rounded_share(standard_price, standard_quantity, Decimal(1))
    return MaterialVariances(
        price=actual_cost - at_standard_price, quantity=at_standard_price - standard_cost
    )


def labour_variances(
    *,
    actual_minutes: Decimal,
    actual_cost: Decimal,
    standard_minutes: Decimal,
    standard_rate_per_hour: Decimal,
) -> LabourVariances:
    """Split actual less standard cost of labour into rate and efficiency.

    rate = actual cost - standard rate x actual time; efficiency = standard rate x (actual - standard time).
    Minutes are negative where a period undid more work of earlier ones than was done in it.
    """
    at_standard_rate = rounded_share(standard_rate_per_hour, actual_minutes, MINUTES_PER_HOUR)
    standard_cost = rounded_share(standard_rate_per_hour, standard_minutes, MINUTES_PER_HOUR)
    return LabourVariances(rate=actual_cost - at_standard_rate, efficiency=at_standard_rate - standard_cost)


def direction(variance: Decimal) -> Literal["unfavourable", "favourable", "none"]:
    """Return how to word a variance."""
    if variance > 0:
        return "unfavourable"
    return "favourable" if variance < 0 else "none"
