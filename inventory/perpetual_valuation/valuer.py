"""The pure valuation run over the movements of the database: what each is worth, and the pool after it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple

from django.db.models import F, Q

from inventory.decimals import ZERO
from inventory.documents import DocumentKind
from inventory.models import REAL_KINDS, CostPolicy, Movement, Place, PlaceKind
from inventory.valuation.cost_layers import (
    Adjustment,
    CostFormula,
    Origin,
    Pool,
    PoolEffect,
    PoolEvent,
    Valued,
    order_in_moment,
    proportion,
    value_events,
)

CHECKPOINT_EVERY = 500
DEFAULT_METHOD = CostFormula.MOVING_AVERAGE


class ValuedMovement(NamedTuple):
    """A movement across the boundary of stock, with the value stored for it."""

    consumable: int
    posted_at: datetime
    rank: int
    order: str
    line: int
    part: int
    id: int
    quantity: Decimal
    source: int
    destination: int
    landed_value: Decimal | None
    reverses: int | None
    reverses_posted_at: datetime | None
    count_line: int | None
    document: int
    kind: str
    value: Decimal | None
    provisional: bool | None


ROW_FIELDS = (
    "consumable_id",
    "posted_at",
    "rank",
    "document__order",
    "line",
    "part",
    "id",
    "quantity",
    "source_id",
    "destination_id",
    "landed_value",
    "reverses_id",
    "reverses__posted_at",
    "count_line_id",
    "document_id",
    "document__kind",
    "valued__value",
    "valued__provisional",
)


@dataclass(frozen=True, slots=True)
class Opening:
    """Where the valuation of a consumable resumes: its pool after all that was posted up to a moment."""

    pool: Pool
    posted_at: datetime | None = None
    events: int = 0


@dataclass(slots=True)
class ValuationResult:
    """What a run found for one consumable: values by movement, adjustments, and the pool to go on from."""

    closing: Opening
    values: dict[int, Valued] = field(default_factory=dict)
    adjustments: list[tuple[datetime, Adjustment]] = field(default_factory=list)
    checkpoints: list[tuple[datetime, Pool]] = field(default_factory=list)


class Valuer:
    """Runs the pure valuation over the movements of the database."""

    def __init__(self, outside: Mapping[PlaceKind, Place] | None = None) -> None:
        outside = outside or {
            PlaceKind(place.kind): place for place in Place.objects.exclude(kind__in=REAL_KINDS)
        }
        self.outside = [place.pk for place in outside.values()]
        self.supplier = outside[PlaceKind.SUPPLIER].pk
        self.lost = outside[PlaceKind.LOST].pk
        self.policies = [
            (policy.effective_from, CostFormula(policy.method))
            for policy in CostPolicy.objects.order_by(F("effective_from").asc(nulls_first=True))
        ]

    def method_at(self, moment: datetime | None) -> CostFormula:
        """Return the cost formula in force at a moment; None is the beginning."""
        method = DEFAULT_METHOD
        for effective_from, candidate in self.policies:
            if effective_from is None or (moment is not None and effective_from <= moment):
                method = candidate
        return method

    def empty(self) -> Opening:
        """Return the opening of a consumable that has never moved."""
        return Opening(Pool(self.method_at(None)))

    def rows(self, openings: dict[int, Opening]) -> Iterator[tuple[int, list[ValuedMovement]]]:
        """Yield each consumable with its movements posted after its opening: one query in all."""
        movements = (
            Movement.objects.filter(posted_after(openings))
            .filter(Q(source__in=self.outside) | Q(destination__in=self.outside))
            .order_by("consumable_id", "posted_at")
            .values_list(*ROW_FIELDS)
        )
        for consumable, rows in groupby(
            map(ValuedMovement._make, movements.iterator()), key=attrgetter("consumable")
        ):
            yield consumable, list(rows)

    def run(self, rows: list[ValuedMovement], opening: Opening) -> ValuationResult:
        """Value the movements of one consumable from its opening on."""
        result = ValuationResult(opening)
        origins = _origins(rows)
        pending: list[PoolEvent] = []
        split_counts: list[list[ValuedMovement]] = []
        last = opening.posted_at
        moments = {row.id: row.posted_at for row in rows}

        def settle(until: datetime | None) -> None:
            valuation = value_events(pending, result.closing.pool, origins)
            result.adjustments += [(moments[item.key], item) for item in valuation.adjustments]
            result.values.update((valued.key, valued) for valued in valuation.values)
            result.closing = Opening(valuation.closing, until, result.closing.events + len(pending))
            pending.clear()

        for moment, group in groupby(rows, key=attrgetter("posted_at")):
            method = self.method_at(moment)
            # A large pool is kept less often, so that all checkpoints together stay in step with the history.
            due = max(CHECKPOINT_EVERY, len(result.closing.pool.layers) + len(result.closing.pool.owed))
            if result.closing.events + len(pending) >= due and last is not None:
                settle(last)
                result.checkpoints.append((last, result.closing.pool))
                result.closing = Opening(result.closing.pool, last)
            if method is not result.closing.pool.method:
                settle(last)
                pool = result.closing.pool.copy()
                pool.change_method(method)
                result.closing = Opening(pool, last, result.closing.events)
            self._add_events(sorted(group, key=_order), pending, split_counts, result)
            last = moment
        if rows:
            settle(last)
        for parts in split_counts:
            _share_out(parts, self.lost, result.values)
        return result

    def _add_events(
        self,
        group: list[ValuedMovement],
        pending: list[PoolEvent],
        split_counts: list[list[ValuedMovement]],
        result: ValuationResult,
    ) -> None:
        """Add the events of one moment.

        A movement corrected at the moment it posted never touched the pool: it and its correction carry
        no value. The movements of one count line are one event: what they sum to.
        """
        undone = [
            row
            for row in group
            if row.kind == DocumentKind.CORRECTION and row.reverses_posted_at == row.posted_at
        ]
        void = {row.id for row in undone} | {row.reverses for row in undone if row.reverses is not None}
        result.values.update((key, Valued(key, ZERO)) for key in void)
        standing = (row for row in group if row.id not in void)
        for is_count, rows in groupby(standing, key=lambda row: row.kind == DocumentKind.COUNT):
            if not is_count:
                pending += [self._event(row) for row in rows]
                continue
            for _, same_line in groupby(rows, key=attrgetter("count_line")):
                parts = list(same_line)
                net = _net(parts, self.lost)
                if net:
                    effect = PoolEffect.GAIN if net > 0 else PoolEffect.ISSUE
                    pending.append(PoolEvent(parts[0].id, effect, abs(net)))
                if len(parts) > 1 or not net:
                    split_counts.append(parts)

    def _event(self, row: ValuedMovement) -> PoolEvent:
        """Return what a movement does to the pool."""
        if row.source == self.supplier:
            return PoolEvent(row.id, PoolEffect.RECEIPT, row.quantity, row.landed_value or ZERO)
        if row.destination == self.supplier:
            return PoolEvent(row.id, PoolEffect.CREDIT, row.quantity, origin=row.reverses)
        if row.destination in self.outside:
            return PoolEvent(row.id, PoolEffect.ISSUE, row.quantity)
        if row.source == self.lost:
            return PoolEvent(row.id, PoolEffect.GAIN, row.quantity)
        return PoolEvent(row.id, PoolEffect.RETURN, row.quantity, origin=row.reverses)


def _order(row: ValuedMovement) -> tuple[int, str, str, int, int]:
    return order_in_moment(row.rank, row.order, row.kind, row.line, row.part)


def _net(parts: list[ValuedMovement], lost: int) -> Decimal:
    return sum((-row.quantity if row.destination == lost else row.quantity for row in parts), ZERO)


def _share_out(parts: list[ValuedMovement], lost: int, values: dict[int, Valued]) -> None:
    """Share the value of a count line over its movements by quantity, so that they net to it."""
    net = _net(parts, lost)
    if not net:
        values.update((row.id, Valued(row.id, ZERO)) for row in parts)
        return
    whole = values[parts[0].id]
    left = whole.value
    for row in parts[1:]:
        value = proportion(whole.value, row.quantity, abs(net))
        values[row.id] = Valued(row.id, value, whole.provisional)
        same_way = (row.destination == lost) == (net < 0)
        left -= value if same_way else -value
    first_same_way = (parts[0].destination == lost) == (net < 0)
    values[parts[0].id] = Valued(parts[0].id, left if first_same_way else -left, whole.provisional)


def _origins(rows: list[ValuedMovement]) -> dict[int, Origin]:
    """Return what returns and later corrections among `rows` undo; read from storage if it is not there."""
    wanted = {row.reverses for row in rows if row.reverses is not None and row.kind != DocumentKind.COUNT}
    origins = {row.id: Origin(row.quantity, ZERO) for row in rows if row.id in wanted}
    mine = {row.id for row in rows if row.reverses is not None}
    stored = wanted - origins.keys()
    if not stored:
        return origins
    for movement in Movement.objects.filter(pk__in=stored).select_related("valued"):
        origins[movement.pk] = Origin(movement.quantity, movement.valued.value)
    back = Movement.objects.filter(reverses__in=stored, document__corrected_by__isnull=True)
    for pk, origin, quantity, value in back.values_list("pk", "reverses_id", "quantity", "valued__value"):
        if pk not in mine:
            origins[origin].returned_quantity += quantity
            origins[origin].returned_value += value
    return origins


def posted_after(openings: dict[int, Opening]) -> Q:
    """Return the condition for what posted after each consumable's opening."""
    condition = Q()
    for consumable, opening in openings.items():
        this = Q(consumable=consumable)
        condition |= this & Q(posted_at__gt=opening.posted_at) if opening.posted_at else this
    return condition
