"""Where received value went: receipts = job costs + losses + scrap + adjustments + closing stock."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, fields
from decimal import Decimal

from django.db.models import Sum

from inventory.decimals import ZERO
from inventory.integrity.stock_checks import Disagreement, stored_pool
from inventory.models import REAL_KINDS, Consumable, CostAdjustment, CostPool, Movement, PlaceKind


@dataclass(slots=True)
class Reconciliation:
    """Values from the first document on, in the shop's currency; what came back is taken off each."""

    receipts: Decimal = ZERO
    job_costs: Decimal = ZERO
    losses: Decimal = ZERO
    scrap: Decimal = ZERO
    adjustments: Decimal = ZERO
    closing_stock: Decimal = ZERO

    @property
    def gone_or_there(self) -> Decimal:
        """The right-hand side: what left the stock and what is still there."""
        return self.job_costs + self.losses + self.scrap + self.adjustments + self.closing_stock

    @property
    def unexplained(self) -> Decimal:
        """Receipts less where they went: zero when every cent is accounted for."""
        return self.receipts - self.gone_or_there

    def __add__(self, other: "Reconciliation") -> "Reconciliation":
        return Reconciliation(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


WHERE_IT_WENT = {PlaceKind.JOB: "job_costs", PlaceKind.LOST: "losses", PlaceKind.SCRAPPED: "scrap"}


def reconcile() -> dict[str, Reconciliation]:
    """Return the reconciliation of each consumable by code, from the stored values. Four queries."""
    codes = dict(Consumable.objects.order_by("code").values_list("pk", "code"))
    found = {pk: Reconciliation() for pk in codes}
    for consumable, kind, sign, total in _crossed():
        name = WHERE_IT_WENT.get(kind, "receipts")
        # Receipts count what comes in, all others what goes out.
        change = -sign * total if name == "receipts" else sign * total
        setattr(found[consumable], name, getattr(found[consumable], name) + change)
    adjustments = CostAdjustment.objects.order_by().values_list("consumable_id")
    for consumable, actual, valued in adjustments.annotate(cost=Sum("actual"), charged=Sum("valued")):
        found[consumable].adjustments = actual - valued
    for consumable, state in CostPool.objects.values_list("pk", "state"):
        if pool := stored_pool(state):
            found[consumable].closing_stock = pool.value
    return {codes[pk]: reconciliation for pk, reconciliation in found.items()}


def total(reconciliations: dict[str, Reconciliation]) -> Reconciliation:
    """Return the sum over all consumables."""
    return sum(reconciliations.values(), Reconciliation())


def disagreements(reconciliations: dict[str, Reconciliation]) -> Iterator[Disagreement]:
    """Yield each consumable whose receipts are not all accounted for."""
    for code, reconciliation in reconciliations.items():
        if reconciliation.unexplained:
            yield Disagreement("value received", code, reconciliation.gone_or_there, reconciliation.receipts)


def _crossed() -> Iterator[tuple[int, PlaceKind, int, Decimal]]:
    """Yield (consumable id, outside place, 1 when value went out and -1 when it came in, value)."""
    sums: dict[tuple[int, str, str], Decimal] = defaultdict(Decimal)
    rows = Movement.objects.filter(valued__isnull=False).order_by()
    for consumable, source, destination, value in rows.values_list(
        "consumable_id", "source__kind", "destination__kind"
    ).annotate(total=Sum("valued__value")):
        sums[consumable, source, destination] += value
    for (consumable, source, destination), value in sums.items():
        if source in REAL_KINDS and destination not in REAL_KINDS:
            yield consumable, PlaceKind(destination), 1, value
        elif destination in REAL_KINDS and source not in REAL_KINDS:
            yield consumable, PlaceKind(source), -1, value
