"""What the ledger has stored, and what must hold of it."""

from decimal import Decimal
from typing import Any

from inventory.models import CostAdjustment, CostPool, Holding, Movement, MovementValue, PlaceKind
from inventory.perpetual_valuation.valuer import Valuer
from inventory.valuation.cost_layers import Pool
from tests.inventory.naive_movements import ZERO, Key


def facts(before: Any = None) -> dict[Any, tuple[object, ...]]:
    """Return all stored movements, values and adjustments, or those posted before a moment."""
    movements = Movement.objects.filter(posted_at__lt=before) if before else Movement.objects.all()
    found: dict[Any, tuple[object, ...]] = {}
    keys: dict[int, Key] = {}
    for pk, kind, id_, line, part, *rest in movements.values_list(
        "pk",
        "document__kind",
        "document__client_id",
        "line",
        "part",
        "posted_at",
        "occurred_at",
        "consumable__code",
        "quantity",
        "source__code",
        "destination__code",
        "valued__value",
        "valued__provisional",
    ):
        keys[pk] = (kind, id_, line, part)
        found[keys[pk]] = tuple(rest)
    adjustments = CostAdjustment.objects.filter(movement__in=keys)
    for movement, adjusts, *rest in adjustments.values_list(
        "movement_id", "adjusts_id", "posted_at", "quantity", "valued", "actual"
    ):
        found[keys[movement], keys[adjusts]] = tuple(rest)
    return found


def assert_every_cent_is_accounted_for() -> None:
    """Receipts = jobs + lost + scrapped + adjustments + closing stock, to the last digit."""
    flows = dict.fromkeys((PlaceKind.SUPPLIER, PlaceKind.JOB, PlaceKind.LOST, PlaceKind.SCRAPPED), ZERO)
    for value in MovementValue.objects.select_related("movement__source", "movement__destination"):
        movement = value.movement
        if movement.source.is_real:
            flows[PlaceKind(movement.destination.kind)] += value.value
        else:
            flows[PlaceKind(movement.source.kind)] -= value.value
    received = -flows.pop(PlaceKind.SUPPLIER)
    adjusted = sum((adjustment.amount for adjustment in CostAdjustment.objects.all()), ZERO)
    closing = sum((Pool.from_json(pool.state).value for pool in CostPool.objects.all() if pool.state), ZERO)
    assert received == sum(flows.values(), ZERO) + adjusted + closing


def assert_revaluation_from_nothing_agrees() -> None:
    """Run the valuation over all movements from an empty pool; it finds exactly what is stored."""
    valuer = Valuer()
    pools = {pool.pk: pool for pool in CostPool.objects.all()}
    values: dict[int, tuple[Decimal, bool]] = {}
    adjustments = set()
    for consumable, rows in valuer.rows({pk: valuer.empty() for pk in pools}):
        result = valuer.run(rows, valuer.empty())
        values |= {pk: (valued.value, valued.provisional) for pk, valued in result.values.items()}
        adjustments |= {
            (item.key, item.adjusts, posted_at, item.quantity, item.valued, item.actual)
            for posted_at, item in result.adjustments
        }
        pool = pools.pop(consumable)
        assert pool.state is not None
        assert Pool.from_json(pool.state) == result.closing.pool
        assert pool.posted_at == result.closing.posted_at
    assert all(pool.state is None for pool in pools.values())
    stored = MovementValue.objects.values_list("movement_id", "value", "provisional")
    assert {pk: (value, provisional) for pk, value, provisional in stored} == values
    assert adjustments == set(
        CostAdjustment.objects.values_list(
            "movement_id", "adjusts_id", "posted_at", "quantity", "valued", "actual"
        )
    )


def result_by_document() -> dict[Any, Any]:
    """Return what must not depend on the order in which documents came.

    How many movements a count needed does, and so do those of its correction; their sums do not.
    """
    found: dict[Any, Any] = {}
    for movement in Movement.objects.select_related("document", "valued", "source", "destination"):
        document = movement.document
        void = document.kind == "correction" or hasattr(document, "corrected_by")
        name = (document.kind, document.client_id, 0 if void else movement.line)
        way = 1 if movement.destination.is_real else -1
        quantity, value = found.get(name, (ZERO, ZERO))
        worth = way * movement.valued.value if hasattr(movement, "valued") else ZERO
        if void:
            assert worth == 0
            continue
        found[name] = (quantity + way * movement.quantity, value + worth)
    counts = {name: result for name, result in found.items() if name[0] == "count" and result == (0, 0)}
    found = {name: result for name, result in found.items() if name not in counts}
    for row in Holding.objects.exclude(quantity=0).select_related("place", "consumable"):
        found["held", row.place.code, row.consumable.code] = row.quantity
    for pool in CostPool.objects.filter(state__isnull=False).select_related("consumable"):
        state = Pool.from_json(pool.state or {})
        found["pool", pool.consumable.code] = (state.quantity, state.value)
    for adjustment in CostAdjustment.objects.select_related("movement__document", "adjusts__document"):
        settled, provisional = adjustment.movement, adjustment.adjusts
        both = tuple((m.document.kind, m.document.client_id, m.line) for m in (settled, provisional))
        found[both] = found.get(both, ZERO) + adjustment.amount
    return found
