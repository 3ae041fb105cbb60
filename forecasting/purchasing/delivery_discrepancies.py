"""Where a delivery differs from the order, as text. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext

from inventory.decimals import HUNDRED, PRECISION, ZERO
from shop.common.text import hundredths_up


@dataclass(frozen=True, slots=True)
class Expected:
    """What is still to come of a consumable: stock units, and what one costs by the order, net of tax."""

    consumable: str
    unit: str
    open_units: Decimal
    unit_cost: Decimal


@dataclass(frozen=True, slots=True)
class Came:
    """What a delivery brought of a consumable, and what was charged for it, net of tax."""

    consumable: str
    quantity: Decimal
    cost: Decimal


def differences(expected: Sequence[Expected], came: Sequence[Came], cent: Decimal) -> list[str]:
    """Return a sentence for each difference: too little, too much, not ordered, another price.

    A consumable is in `expected` once. Prices differ when the whole quantity costs a `cent` more or less.
    """
    quantities: dict[str, Decimal] = {}
    charged: dict[str, Decimal] = {}
    for line in came:
        quantities[line.consumable] = quantities.get(line.consumable, ZERO) + line.quantity
        charged[line.consumable] = charged.get(line.consumable, ZERO) + line.cost
    said = []
    known = {one.consumable: one for one in expected}
    for consumable, one in known.items():
        quantity = quantities.get(consumable, ZERO)
        said += _of_quantity(one, quantity)
        if quantity:
            said += _of_price(one, quantity, charged[consumable], cent)
    for consumable, quantity in quantities.items():
        if consumable not in known:
            said.append(f"{consumable}: {hundredths_up(quantity)} came and none was ordered.")
    return said


def _of_quantity(one: Expected, quantity: Decimal) -> list[str]:
    name, unit = one.consumable, one.unit
    if quantity > one.open_units:
        more = quantity - one.open_units
        return [
            f"{name}: {hundredths_up(quantity)} {unit} came, {hundredths_up(more)} more than were to come."
        ]
    if quantity < one.open_units:
        if not quantity:
            return [f"{name}: none of {hundredths_up(one.open_units)} {unit} came."]
        rest = one.open_units - quantity
        came = f"{hundredths_up(quantity)} {unit} came of {hundredths_up(one.open_units)}"
        return [f"{name}: {came}; {hundredths_up(rest)} are missing."]
    return []


def _of_price(one: Expected, quantity: Decimal, charged: Decimal, cent: Decimal) -> list[str]:
    with localcontext(prec=PRECISION):
        due = one.unit_cost * quantity
        more = charged - due
        if abs(more) < cent:
            return []
        word = "more" if more > 0 else "less"
        share = f" ({hundredths_up(abs(more) / due * HUNDRED)}%)" if due else ""
        paid, apart, ordered = (f"{amount.quantize(cent):f}" for amount in (charged, abs(more), due))
    text = f"{paid} was charged, {apart} {word} than the {ordered} of the order{share}."
    return [f"{one.consumable}: {text}"]
