"""Values once more, naively: one movement after the other, in exact fractions until each is rounded."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from tests.inventory.naive_movements import OUTSIDE, ZERO, Key, Move

Policy = list[tuple[datetime | None, str]]


@dataclass
class Worth:
    """What a re-valuation found."""

    values: dict[Key, Decimal] = field(default_factory=dict)
    provisional: set[Key] = field(default_factory=set)
    adjustments: dict[tuple[Key, Key], tuple[datetime, Decimal, Decimal, Decimal]] = field(
        default_factory=dict
    )
    quantity: Decimal = ZERO
    value: Decimal = ZERO


def worth_of(moves: Iterable[Move], policy: Policy) -> Worth:
    """Value the movements of one consumable that cross the boundary of stock, in order."""
    moves = sorted((m for m in moves if m.crosses), key=lambda m: m.order)
    worth = Worth()
    pool = _NaivePool(_method(policy, None), worth)
    returned: dict[Key, tuple[Decimal, Decimal]] = defaultdict(lambda: (ZERO, ZERO))
    void = {
        m.key
        for back in moves
        if back.key[0] == "correction" and back.reverses and back.reverses.posted_at == back.posted_at
        for m in (back, back.reverses)
    }
    done: set[Key] = set()
    for move in moves:
        pool.change_method(_method(policy, move.posted_at))
        if move.key in void:
            worth.values[move.key] = ZERO
        elif move.key[0] == "count":
            if move.key not in done:
                parts = [
                    m
                    for m in moves
                    if (m.key[:3], m.posted_at) == (move.key[:3], move.posted_at) and m.key not in void
                ]
                done |= {m.key for m in parts}
                pool.value_count(parts)
        elif move.source == "supplier":
            worth.values[move.key] = move.landed
            pool.receive(move, move.landed, remember=True)
        elif move.source == "lost":
            worth.values[move.key] = pool.find(move.quantity)
        elif move.source in OUTSIDE or move.destination == "supplier":
            assert move.reverses is not None
            origin = move.reverses
            quantity, value = returned[origin.key]
            quantity += move.quantity
            due = (
                rounded(Fraction(worth.values[origin.key]) * Fraction(quantity) / Fraction(origin.quantity))
                - value
            )
            returned[origin.key] = (quantity, value + due)
            worth.values[move.key] = due
            if move.source in OUTSIDE:
                pool.take_back(move, due)
            else:
                cost = pool.issue(move, move.quantity)
                worth.adjustments[move.key, move.key] = (move.posted_at, move.quantity, due, cost)
        else:
            worth.values[move.key] = pool.issue(move, move.quantity)
    worth.quantity = sum((q for q, _ in pool.layers), ZERO) - sum((q for _, q, _ in pool.owed), ZERO)
    worth.value = sum((v for _, v in pool.layers), ZERO) - sum((v for _, _, v in pool.owed), ZERO)
    return worth


def _method(policy: Policy, moment: datetime | None) -> str:
    method = "moving_average"
    for since, candidate in policy:
        if since is None or (moment is not None and since <= moment):
            method = candidate
    return method


class _NaivePool:
    """Cost layers, and what was used before it came."""

    def __init__(self, method: str, worth: Worth) -> None:
        self.method = method
        self.worth = worth
        self.layers: list[tuple[Decimal, Decimal]] = []
        self.owed: list[tuple[Key, Decimal, Decimal]] = []
        self.last = Fraction(0)

    def change_method(self, method: str) -> None:
        if method != self.method:
            self.method = method
            self._blend(remember=bool(self.layers))

    def _merge(self) -> None:
        if self.method == "moving_average" and self.layers:
            quantity, value = sum((q for q, _ in self.layers), ZERO), sum((v for _, v in self.layers), ZERO)
            self.layers = [(quantity, value)]

    def receive(self, move: Move, value: Decimal, *, remember: bool) -> None:
        quantity = move.quantity
        if remember:
            self.last = Fraction(value) / Fraction(quantity)
        while self.owed and quantity:
            key, owed_quantity, owed_value = self.owed.pop(0)
            part = min(quantity, owed_quantity)
            actual, valued = share(value, part, quantity), share(owed_value, part, owed_quantity)
            self.worth.adjustments[move.key, key] = (move.posted_at, part, valued, actual)
            quantity, value = quantity - part, value - actual
            if part < owed_quantity:
                self.owed.insert(0, (key, owed_quantity - part, owed_value - valued))
        if quantity:
            self.layers.append((quantity, value))
            self._blend(remember=remember)

    def _blend(self, *, remember: bool) -> None:
        """Under the moving average, all layers are one, and its unit cost is the last one known."""
        self._merge()
        if self.method == "moving_average" and remember:
            quantity, value = self.layers[0]
            self.last = Fraction(value) / Fraction(quantity)

    def take_back(self, move: Move, value: Decimal) -> None:
        if self.owed:
            self.receive(move, value, remember=False)
        else:
            self.layers.insert(0, (move.quantity, value))
            self._blend(remember=True)

    def issue(self, move: Move, quantity: Decimal) -> Decimal:
        total = ZERO
        while self.layers and quantity:
            held, value = self.layers.pop(0)
            part = min(quantity, held)
            out = share(value, part, held)
            if part < held:
                self.layers.insert(0, (held - part, value - out))
            quantity, total = quantity - part, total + out
        if quantity:
            value = rounded(self.last * Fraction(quantity))
            self.owed.append((move.key, quantity, value))
            self.worth.provisional.add(move.key)
            total += value
        return total

    def find(self, quantity: Decimal) -> Decimal:
        total = ZERO
        while self.owed and quantity:
            key, owed_quantity, owed_value = self.owed.pop(0)
            part = min(quantity, owed_quantity)
            value = share(owed_value, part, owed_quantity)
            if part < owed_quantity:
                self.owed.insert(0, (key, owed_quantity - part, owed_value - value))
            quantity, total = quantity - part, total + value
        if quantity:
            cost = self.last
            if self.method == "moving_average" and self.layers:
                cost = Fraction(self.layers[0][1]) / Fraction(self.layers[0][0])
            value = rounded(cost * Fraction(quantity))
            self.layers.append((quantity, value))
            self._blend(remember=True)
            total += value
        return total

    def value_count(self, parts: list[Move]) -> None:
        """Value the movements of a count line as the one they sum to, shared by quantity."""
        signs = {m.key: 1 if m.source == "lost" else -1 for m in parts}
        net = sum((m.quantity * signs[m.key] for m in parts), ZERO)
        first = parts[0]
        value = self.find(net) if net > 0 else self.issue(first, -net) if net else ZERO
        left = value if net > 0 else -value
        for move in parts[1:]:
            share_ = share(value, move.quantity, abs(net)) if net else ZERO
            self.worth.values[move.key] = share_
            left -= share_ * signs[move.key]
        self.worth.values[first.key] = left * signs[first.key]
        if first.key in self.worth.provisional:
            self.worth.provisional |= signs.keys()


def rounded(exact: Fraction) -> Decimal:
    """Return the nearest ten-thousandth, half to even."""
    return Decimal(round(exact * 10_000)) / 10_000


def share(value: Decimal, part: Decimal, whole: Decimal) -> Decimal:
    """Return what `part` of `whole` is worth; the whole takes everything."""
    return value if part == whole else rounded(Fraction(value) * Fraction(part) / Fraction(whole))
