"""What every step in the life of a purchase has in common: one at a time, once, with who did it when."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from forecasting.models import Purchase, PurchaseEvent, PurchaseLine, PurchaseStatus
from forecasting.replenishment.steps import StepConflict
from inventory import ledger
from inventory.documents import Problem


@dataclass(frozen=True, slots=True)
class Done:
    """The answer to a step: the purchase after it, whether this call took it, what a person should see."""

    purchase: Purchase
    changed: bool
    flags: tuple[str, ...] = ()


Step = Callable[[Purchase, list[PurchaseLine]], Done]


def take(purchase_id: int, step: Step) -> Done:
    """Take a step in a transaction that holds the purchase, so that two people cannot take it at once.

    `step` gets the locked purchase and its lines in the order of their codes. Raises Purchase.DoesNotExist.
    """

    def work() -> Done:
        locked = Purchase.objects.select_for_update(of=("self",)).select_related("supplier", "depot")
        purchase = locked.get(pk=purchase_id)
        lines = purchase.lines.select_related("consumable", "pack").order_by("consumable__code", "pk")
        return step(purchase, list(lines))

    return ledger.once_more_if_raced(work)


def note(
    purchase: Purchase, what: str, *, by: str, now: datetime, details: Mapping[str, object] | None = None
) -> None:
    """Add who did what when."""
    PurchaseEvent.objects.create(purchase=purchase, what=what, details=dict(details or {}), at=now, by=by)


def go(purchase: Purchase, status: PurchaseStatus, *fields: str) -> None:
    """Bring a purchase to a status, and write the other fields that changed with it."""
    purchase.status = status
    purchase.save(update_fields=["status", *fields])


def not_now(purchase: Purchase, wanted: str) -> StepConflict:
    """Return the refusal of a step that the purchase is not at, saying who brought it where it is."""
    last = PurchaseEvent.objects.filter(purchase=purchase).last()
    who = f" by {last.by}" if last and last.by else ""
    when = f" ({last.what}{who} on {last.at:%Y-%m-%d %H:%M} UTC)" if last else ""
    return StepConflict([Problem("status", purchase.status, f"does not allow it{when}; {wanted}")])
