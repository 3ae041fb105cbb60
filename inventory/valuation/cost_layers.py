"""Valuation of stock by FIFO or moving weighted average (IAS 2 paragraph 25). Pure.

One pool per consumable for the whole shop. Values are Decimals with 4 places and are conserved: what comes in
goes out again or is still there, to the last digit. A pool is a queue of cost layers; the moving average is
the case where every receipt is merged into one layer.

Stock that is used before it was received is valued at the last known unit cost and owed to the pool; the
next receipt settles it, and the difference is an Adjustment on that receipt.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal, localcontext
from enum import Enum, StrEnum
from typing import Any, Self

from inventory.decimals import LAST_PLACE, PRECISION, ZERO


class CostFormula(StrEnum):
    """Cost formula of the shop."""

    FIFO = "fifo"
    MOVING_AVERAGE = "moving_average"


class PoolEffect(Enum):
    """What an event does to the pool."""

    RECEIPT = "in, at a given value"
    ISSUE = "out, at the pool's cost"
    GAIN = "in, found by a count, at the last known unit cost"
    RETURN = "in, at the value its origin went out with"
    CREDIT = "out, undoing an origin that came in; the pool's cost less its value is an adjustment"


@dataclass(frozen=True, slots=True)
class PoolEvent:
    """A quantity (> 0) crossing the boundary of stock.

    `key` names the event; `value` is given for a RECEIPT; `origin` is the key of the event that a RETURN or
    a CREDIT undoes, in whole or in part.
    """

    key: int
    effect: PoolEffect
    quantity: Decimal
    value: Decimal = ZERO
    origin: int | None = None


@dataclass(frozen=True, slots=True)
class Valued:
    """The value an event moved; provisional while part of it waits for a receipt."""

    key: int
    value: Decimal
    provisional: bool = False


@dataclass(frozen=True, slots=True)
class Adjustment:
    """The difference between what an event was valued at and what it cost in the end."""

    key: int
    adjusts: int
    quantity: Decimal
    valued: Decimal
    actual: Decimal

    @property
    def amount(self) -> Decimal:
        """Cost not yet charged; negative when too much was charged."""
        return self.actual - self.valued


@dataclass(slots=True)
class Origin:
    """What a returned event moved, and how much of it has come back so far."""

    quantity: Decimal
    value: Decimal
    returned_quantity: Decimal = ZERO
    returned_value: Decimal = ZERO

    def share(self, quantity: Decimal) -> Decimal:
        """Return the value of the next `quantity` to come back, so that the last one takes what is left."""
        self.returned_quantity += quantity
        if self.returned_quantity > self.quantity:
            raise ValueError(f"{self.returned_quantity} came back of {self.quantity} that went out")
        due = proportion(self.value, self.returned_quantity, self.quantity) - self.returned_value
        self.returned_value += due
        return due


def order_in_moment(
    rank: int, document_order: str, kind: str, line: int, part: int
) -> tuple[int, str, str, int, int]:
    """Return the key that sorts movements posted at one moment as the ledger values them.

    `document_order` is the natural order of the document's id. Ids are unique within a kind only: a close and
    a further use may share one, and a moment. Sort in Python: a database may order texts differently.
    """
    return rank, document_order, kind, line, part


def proportion(value: Decimal, part: Decimal, whole: Decimal) -> Decimal:
    """Return round(value x part / whole) to 4 places, half to even; all of `value` when part equals whole."""
    if part == whole:
        return value
    return (value * part / whole).quantize(LAST_PLACE)


@dataclass(slots=True)
class Pool:
    """The stock of one consumable in the whole shop, with its value."""

    method: CostFormula
    layers: deque[tuple[Decimal, Decimal]] = field(default_factory=deque)
    owed: deque[tuple[int, Decimal, Decimal]] = field(default_factory=deque)
    last_cost: tuple[Decimal, Decimal] = (ZERO, Decimal(1))

    @property
    def quantity(self) -> Decimal:
        """Units in stock; negative when more was used than received."""
        return sum((q for q, _ in self.layers), ZERO) - sum((q for _, q, _ in self.owed), ZERO)

    @property
    def value(self) -> Decimal:
        """Value of the stock; negative when more was used than received."""
        return sum((v for _, v in self.layers), ZERO) - sum((v for _, _, v in self.owed), ZERO)

    @property
    def unit_cost(self) -> tuple[Decimal, Decimal]:
        """Last known unit cost as (value, quantity): the average, or the latest receipt under FIFO."""
        if self.layers and self.method is CostFormula.MOVING_AVERAGE:
            quantity, value = self.layers[0]
            return value, quantity
        return self.last_cost

    def copy(self) -> Self:
        """Return a pool of its own with the same state."""
        return type(self)(self.method, self.layers.copy(), self.owed.copy(), self.last_cost)

    def change_method(self, method: CostFormula) -> None:
        """Go on with another cost formula from here; quantity and value stay as they are."""
        if method is CostFormula.MOVING_AVERAGE and self.layers:
            quantity, value = sum((q for q, _ in self.layers), ZERO), sum((v for _, v in self.layers), ZERO)
            self.layers = deque([(quantity, value)])
            self.last_cost = (value, quantity)
        self.method = method

    def receive(self, key: int, quantity: Decimal, value: Decimal) -> list[Adjustment]:
        """Add a receipt; it first settles what is owed."""
        self.last_cost = (value, quantity)
        adjustments = []
        while self.owed and quantity:
            issue, owed_quantity, owed_value = self.owed[0]
            settled = min(quantity, owed_quantity)
            actual = proportion(value, settled, quantity)
            valued = proportion(owed_value, settled, owed_quantity)
            adjustments.append(Adjustment(key, issue, settled, valued, actual))
            quantity, value = quantity - settled, value - actual
            self._owe_less(settled, valued)
        if quantity:
            self._add(quantity, value)
        return adjustments

    def issue(self, key: int, quantity: Decimal) -> tuple[Decimal, bool]:
        """Issue `quantity`; return its value and whether part of it is provisional."""
        total = ZERO
        while self.layers and quantity:
            layer_quantity, layer_value = self.layers[0]
            taken = min(quantity, layer_quantity)
            value = proportion(layer_value, taken, layer_quantity)
            if taken == layer_quantity:
                self.layers.popleft()
            else:
                self.layers[0] = (layer_quantity - taken, layer_value - value)
            quantity -= taken
            total += value
        if quantity:
            value = proportion(self.last_cost[0], quantity, self.last_cost[1])
            self.owed.append((key, quantity, value))
            return total + value, True
        return total, False

    def gain(self, quantity: Decimal) -> Decimal:
        """Take in stock found by a count; return its value. What is owed comes back as it was valued."""
        total = ZERO
        while self.owed and quantity:
            _, owed_quantity, owed_value = self.owed[0]
            settled = min(quantity, owed_quantity)
            value = proportion(owed_value, settled, owed_quantity)
            self._owe_less(settled, value)
            quantity, total = quantity - settled, total + value
        if quantity:
            cost, per = self.unit_cost
            value = proportion(cost, quantity, per)
            self._add(quantity, value)
            total += value
        return total

    def give_back(self, key: int, quantity: Decimal, value: Decimal) -> list[Adjustment]:
        """Take in returned stock at a given value, to be the next to go out."""
        if self.owed:
            last_cost = self.last_cost
            adjustments = self.receive(key, quantity, value)
            self.last_cost = last_cost
            return adjustments
        if self.method is CostFormula.MOVING_AVERAGE:
            self._add(quantity, value)
        else:
            self.layers.appendleft((quantity, value))
        return []

    def _add(self, quantity: Decimal, value: Decimal) -> None:
        if self.method is CostFormula.MOVING_AVERAGE and self.layers:
            held_quantity, held_value = self.layers.pop()
            quantity, value = held_quantity + quantity, held_value + value
        if self.method is CostFormula.MOVING_AVERAGE:
            self.last_cost = (value, quantity)
        self.layers.append((quantity, value))

    def _owe_less(self, quantity: Decimal, value: Decimal) -> None:
        issue, owed_quantity, owed_value = self.owed.popleft()
        if quantity != owed_quantity:
            self.owed.appendleft((issue, owed_quantity - quantity, owed_value - value))

    def to_json(self) -> dict[str, Any]:
        """Return the state as JSON values; `from_json` gives the same pool back."""
        return {
            "method": self.method.value,
            "layers": [[str(q), str(v)] for q, v in self.layers],
            "owed": [[key, str(q), str(v)] for key, q, v in self.owed],
            "last_cost": [str(self.last_cost[0]), str(self.last_cost[1])],
        }

    @classmethod
    def from_json(cls, state: dict[str, Any]) -> Self:
        """Return the pool that `to_json` described."""
        return cls(
            CostFormula(state["method"]),
            deque((Decimal(q), Decimal(v)) for q, v in state["layers"]),
            deque((key, Decimal(q), Decimal(v)) for key, q, v in state["owed"]),
            (Decimal(state["last_cost"][0]), Decimal(state["last_cost"][1])),
        )


@dataclass(slots=True)
class Valuation:
    """Values of a run of events, the adjustments they caused, and the pool after them."""

    values: list[Valued]
    adjustments: list[Adjustment]
    closing: Pool


def value_events(events: Iterable[PoolEvent], opening: Pool, origins: dict[int, Origin]) -> Valuation:
    """Value `events`, in order, starting from the pool `opening` (left as it is).

    `origins` holds what is known of the events that RETURN and CREDIT undo. Of an origin that is among
    `events` only the key need be there: its quantity and value are filled in as it is valued.

    Raises ValueError for a quantity that is not positive, or more returned than went out; KeyError for an
    origin that is not in `origins`.
    """
    pool = opening.copy()
    values: list[Valued] = []
    adjustments: list[Adjustment] = []
    with localcontext(prec=PRECISION):
        for event in events:
            if event.quantity <= 0:
                raise ValueError(f"event {event.key}: quantity {event.quantity} is not positive")
            provisional = False
            if event.effect is PoolEffect.ISSUE:
                value, provisional = pool.issue(event.key, event.quantity)
            elif event.effect is PoolEffect.RECEIPT:
                value = event.value
                adjustments += pool.receive(event.key, event.quantity, value)
            elif event.effect is PoolEffect.GAIN:
                value = pool.gain(event.quantity)
            else:
                if event.origin is None:
                    raise ValueError(f"event {event.key}: {event.effect.name} names no origin")
                value = origins[event.origin].share(event.quantity)
                if event.effect is PoolEffect.RETURN:
                    adjustments += pool.give_back(event.key, event.quantity, value)
                else:
                    cost, provisional = pool.issue(event.key, event.quantity)
                    adjustments.append(Adjustment(event.key, event.key, event.quantity, value, cost))
            if event.key in origins:
                origins[event.key] = Origin(event.quantity, value)
            values.append(Valued(event.key, value, provisional))
    return Valuation(values, adjustments, pool)
