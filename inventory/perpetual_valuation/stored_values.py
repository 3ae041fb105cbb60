"""Stored values of movements: kept up to date as documents come, and rebuilt from nothing to check them.

Both work the same way: take the pool of a consumable at a moment, value what was posted after it in order,
and store what differs. In the common case that moment is the last movement and only the new ones are valued.
A backdated document starts from the last checkpoint before it, a rebuild from an empty pool.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from decimal import Decimal

from inventory.models import CostAdjustment, CostCheckpoint, CostPool, MovementValue, Place, PlaceKind
from inventory.perpetual_valuation.valuer import (
    Opening,
    ValuationResult,
    ValuedMovement,
    Valuer,
    posted_after,
)
from inventory.valuation.cost_layers import Pool

BATCH = 2000
# An OR of more conditions than this is slow to plan, and too deep for SQLite beyond a thousand.
CONSUMABLES_AT_ONCE = 50


def _openings(
    pools: dict[int, CostPool], touched: dict[int, datetime], backdated: Collection[int], valuer: Valuer
) -> dict[int, Opening]:
    """Return where to resume each consumable, given the earliest moment at which something new posted."""
    openings = {}
    for consumable in touched:
        pool = pools[consumable]
        if pool.state is None or consumable in backdated:
            openings[consumable] = valuer.empty()
        else:
            openings[consumable] = Opening(
                Pool.from_json(pool.state), pool.posted_at, pool.events_since_checkpoint
            )
    for consumable in backdated:
        later = CostCheckpoint.objects.filter(consumable=consumable, posted_at__gte=touched[consumable])
        later.delete()
        before = CostCheckpoint.objects.filter(consumable=consumable).order_by("posted_at").last()
        if before:
            openings[consumable] = Opening(Pool.from_json(before.state), before.posted_at)
    return openings


class _Store:
    """Collects what differs from the stored values and writes it in few statements."""

    def __init__(self) -> None:
        self.documents: set[int] = set()
        self._new: list[MovementValue] = []
        self._changed: list[MovementValue] = []
        self._adjustments: list[CostAdjustment] = []
        self._stale: list[int] = []
        self._checkpoints: list[CostCheckpoint] = []

    def add(
        self,
        consumable: int,
        rows: list[ValuedMovement],
        result: ValuationResult,
        stored: list[CostAdjustment],
    ) -> None:
        """Take in what a run found for one consumable; `stored` are its adjustments so far."""
        for row in rows:
            valued = result.values[row.id]
            if (row.value, row.provisional) == (valued.value, valued.provisional):
                continue
            value = MovementValue(movement_id=row.id, value=valued.value, provisional=valued.provisional)
            (self._new if row.value is None else self._changed).append(value)
            if row.value != valued.value:
                self.documents.add(row.document)
        found = adjustments_of(consumable, result)
        kept = {_facts(adjustment): adjustment.pk for adjustment in stored}
        self._adjustments += [
            adjustment for adjustment in found if kept.pop(_facts(adjustment), None) is None
        ]
        self._stale += kept.values()
        self._checkpoints += [
            CostCheckpoint(consumable_id=consumable, posted_at=moment, state=pool.to_json())
            for moment, pool in result.checkpoints
        ]
        if len(self._new) + len(self._changed) > BATCH:
            self.write()

    def write(self) -> None:
        """Write what was collected since the last time."""
        if self._new:
            MovementValue.objects.bulk_create(self._new, batch_size=BATCH)
        if self._changed:
            MovementValue.objects.bulk_create(
                self._changed,
                batch_size=BATCH,
                update_conflicts=True,
                unique_fields=["movement"],
                update_fields=["value", "provisional"],
            )
        if self._stale:
            CostAdjustment.objects.filter(pk__in=self._stale).delete()
        if self._adjustments:
            CostAdjustment.objects.bulk_create(self._adjustments, batch_size=BATCH)
        if self._checkpoints:
            CostCheckpoint.objects.bulk_create(self._checkpoints, batch_size=BATCH)
        for collected in (self._new, self._changed, self._stale, self._adjustments, self._checkpoints):
            collected.clear()


def adjustments_of(consumable: int, result: ValuationResult) -> list[CostAdjustment]:
    """Return the adjustments a run found as unsaved rows."""
    return [
        CostAdjustment(
            movement_id=item.key,
            adjusts_id=item.adjusts,
            consumable_id=consumable,
            posted_at=posted_at,
            quantity=item.quantity,
            valued=item.valued,
            actual=item.actual,
        )
        for posted_at, item in result.adjustments
    ]


def _facts(adjustment: CostAdjustment) -> tuple[int, int, datetime, Decimal, Decimal, Decimal]:
    return (
        adjustment.movement_id,
        adjustment.adjusts_id,
        adjustment.posted_at,
        adjustment.quantity,
        adjustment.valued,
        adjustment.actual,
    )


def _stored_adjustments(openings: dict[int, Opening]) -> dict[int, list[CostAdjustment]]:
    stored: dict[int, list[CostAdjustment]] = defaultdict(list)
    if openings:
        for adjustment in CostAdjustment.objects.filter(posted_after(openings)).order_by("pk"):
            stored[adjustment.consumable_id].append(adjustment)
    return stored


def advance(
    pools: dict[int, CostPool], touched: dict[int, datetime], outside: Mapping[PlaceKind, Place]
) -> set[int]:
    """Value what is new, for consumables whose pools are locked by this transaction.

    `touched` holds for each consumable the earliest moment at which something new posted. Returns the ids of
    the documents whose values changed.
    """
    valuer = Valuer(outside)
    backdated = {
        consumable
        for consumable, earliest in touched.items()
        if (valued_until := pools[consumable].posted_at) is not None and earliest <= valued_until
    }
    return _run_and_store(valuer, pools, _openings(pools, touched, backdated, valuer), backdated)


def rebuild(consumables: Iterable[int] | None = None) -> set[int]:
    """Value all movements of some or all consumables again from nothing; return the documents that changed.

    Runs inside a transaction of the caller's.
    """
    valuer = Valuer()
    locked = CostPool.objects.select_for_update().order_by("pk")
    if consumables is not None:
        locked = locked.filter(pk__in=consumables)
    changed = set()
    for pool in locked:
        CostCheckpoint.objects.filter(consumable=pool.pk).delete()
        changed |= _run_and_store(valuer, {pool.pk: pool}, {pool.pk: valuer.empty()}, [pool.pk])
    return changed


def _run_and_store(
    valuer: Valuer, pools: dict[int, CostPool], openings: dict[int, Opening], valued_before: Collection[int]
) -> set[int]:
    """Value from the openings on; only what was `valued_before` after them can have adjustments there."""
    store = _Store()
    for start in range(0, len(openings), CONSUMABLES_AT_ONCE):
        group = dict(list(openings.items())[start : start + CONSUMABLES_AT_ONCE])
        stored = _stored_adjustments({pk: group[pk] for pk in valued_before if pk in group})
        for consumable, rows in valuer.rows(group):
            result = valuer.run(rows, group[consumable])
            store.add(consumable, rows, result, stored[consumable])
            pool = pools[consumable]
            pool.state = result.closing.pool.to_json()
            pool.posted_at = result.closing.posted_at
            pool.events_since_checkpoint = result.closing.events
        store.write()
    # The rows are there, so this updates them, for less than the long CASE of a bulk_update.
    CostPool.objects.bulk_create(
        [pools[consumable] for consumable in openings],
        batch_size=CONSUMABLES_AT_ONCE,
        update_conflicts=True,
        unique_fields=["consumable"],
        update_fields=["state", "posted_at", "events_since_checkpoint"],
    )
    return store.documents
