"""The common part of each step of a restock or purchase: one at a time, once, with who did it when."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Generic, TypeVar

from forecasting.models import Purchase, Restock
from inventory import ledger
from inventory.documents import Problem
from shop.models import on_shop_clocks

Order = TypeVar("Order", Restock, Purchase)

# What a step reads with an order and with its lines.
READ_WITH = {
    Restock: (("van", "depot", "run"), ("consumable",)),
    Purchase: (("supplier", "depot"), ("consumable", "pack")),
}


class StepRefused(ValueError):
    """A step is refused, with all its problems; nothing was written."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = list(problems)
        super().__init__("; ".join(str(problem) for problem in self.problems))


class StepConflict(StepRefused):
    """A step does not fit the order's status: somebody has done something else."""


@dataclass(frozen=True, slots=True)
class Done(Generic[Order]):
    """The answer to a step: the order after it, whether this call took it, and what a person should see."""

    order: Order
    changed: bool
    flags: tuple[str, ...] = ()


def take(kind: type[Order], pk: int, step: Callable[[Order, list[Any]], Done[Order]]) -> Done[Order]:
    """Take a step in a transaction that holds the order, so that two people cannot take it at once.

    `step` gets the locked restock or purchase and its lines in the order of their codes. Raises DoesNotExist
    of the kind.
    """
    with_order, with_lines = READ_WITH[kind]

    def work() -> Done[Order]:
        locked = kind.objects.select_for_update(of=("self",)).select_related(*with_order)
        order: Order = locked.get(pk=pk)
        lines = order.lines.select_related(*with_lines).order_by("consumable__code", "pk")
        return step(order, list(lines))

    return ledger.once_more_if_raced(work)


def note(
    order: Restock | Purchase,
    what: str,
    *,
    by: str,
    now: datetime,
    details: Mapping[str, object] | None = None,
) -> None:
    """Add who did what when."""
    order.events.create(what=what, details=dict(details or {}), at=now, by=by)


def go(order: Restock | Purchase, status: str, *fields: str) -> None:
    """Bring an order to a status, and write the other fields that changed with it."""
    order.status = status
    order.save(update_fields=["status", *fields])


def not_now(order: Restock | Purchase, wanted: str) -> StepConflict:
    """Return the refusal of a step that does not fit the order's status, naming who set it."""
    last = order.events.last()
    who = f" by {last.by}" if last and last.by else ""
    when = f" ({last.label}{who} on {on_shop_clocks(last.at)})" if last else ""
    return StepConflict([Problem("status", order.status, f"does not allow it{when}; {wanted}")])
