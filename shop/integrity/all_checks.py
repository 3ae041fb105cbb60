"""Are the books consistent? Every check there is, the most basic first."""

from collections.abc import Callable, Iterator

from inventory.integrity import value_reconciliation
from inventory.integrity.document_checks import document_disagreements
from inventory.integrity.schema_checks import foundation_disagreements
from inventory.integrity.stock_checks import (
    Disagreement,
    Progress,
    named_where_unreadable,
    stock_disagreements,
)
from inventory.integrity.value_reconciliation import Reconciliation
from shop.integrity import job_checks, job_cost_checks

Told = Callable[[dict[str, Reconciliation]], object]


def damage() -> Iterator[Disagreement]:
    """Yield faults so basic that every other check would fail on them."""
    yield from named_where_unreadable("database", "tables", foundation_disagreements())


def disagreements(progress: Progress = lambda _: None, told: Told = lambda _: None) -> Iterator[Disagreement]:
    """Yield each other stored fact that differs from what its source gives.

    `progress` is called with the number of consumables and documents looked at since its last call, `told`
    with where the value of each consumable went.
    """
    yield from named_where_unreadable("values", "reconciliation", _reconciliation(told))
    for of, check in (
        ("stock", stock_disagreements(progress)),
        ("documents", document_disagreements(progress)),
        ("jobs", job_checks.disagreements()),
        ("job costs", job_cost_checks.disagreements()),
    ):
        yield from named_where_unreadable("check", of, check)


def _reconciliation(told: Told) -> Iterator[Disagreement]:
    found = value_reconciliation.reconcile()
    told(found)
    yield from value_reconciliation.disagreements(found)
