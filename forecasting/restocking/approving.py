"""A person's yes to a restock, whole or changed; and calling it off."""

from datetime import datetime
from decimal import Decimal

from forecasting.models import Restock, RestockEvent, RestockLine, RestockStatus
from forecasting.restocking.steps import Done, Quantities, StepRefused, as_text, chosen, not_now, note, take
from inventory.documents import Problem


def approve(restock_id: int, quantities: Quantities | None = None, *, by: str, now: datetime) -> Done:
    """Approve a draft: each line at the given quantity, in stock units, or as suggested where none is given.

    The same yes again is answered with the first. Raises StepRefused for quantities that cannot be, or that
    are all nothing; StepConflict when the restock is no draft any more, and approved otherwise.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done:
        approved = chosen(lines, quantities, lambda line: line.suggested)
        if restock.status == RestockStatus.APPROVED and approved == {
            line.consumable.code: line.approved for line in lines
        }:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.DRAFT:
            raise not_now(restock, "take the approval back to change it")
        if not any(approved.values()):
            raise StepRefused(
                [Problem("lines", "", "are all nothing; give something, or cancel the restock")]
            )
        for line in lines:
            line.approved = approved[line.consumable.code]
        RestockLine.objects.bulk_update(lines, ["approved"])
        _go(restock, RestockStatus.APPROVED)
        changes = {
            line.consumable.code: line.approved or Decimal(0)
            for line in lines
            if line.approved != line.suggested
        }
        details = {code: f"{quantity.normalize():f}" for code, quantity in changes.items()}
        note(restock, "approved", by=by, now=now, details={"changed": details} if details else {})
        return Done(restock, changed=True)

    return take(restock_id, step)


def take_approval_back(restock_id: int, *, by: str, now: datetime) -> Done:
    """Make an approved restock a draft again, while nothing of it is picked.

    Raises StepConflict when it is neither approved nor a draft.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done:
        if restock.status == RestockStatus.DRAFT:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.APPROVED:
            raise not_now(restock, "only an approval of which nothing is picked can be taken back")
        details = as_text({line.consumable.code: line.approved or Decimal(0) for line in lines})
        restock.lines.update(approved=None)
        _go(restock, RestockStatus.DRAFT)
        note(restock, "approval taken back", by=by, now=now, details={"approved": details})
        return Done(restock, changed=True)

    return take(restock_id, step)


def cancel(restock_id: int, *, by: str, now: datetime, reason: str = "") -> Done:
    """Call off a restock of which nothing is picked. Raises StepConflict when something is."""

    def step(restock: Restock, lines: list[RestockLine]) -> Done:  # noqa: ARG001 - a step gets both
        if restock.status == RestockStatus.CANCELLED:
            return Done(restock, changed=False)
        if restock.status not in (RestockStatus.DRAFT, RestockStatus.APPROVED):
            raise not_now(restock, "take the pick back first")
        _go(restock, RestockStatus.CANCELLED)
        note(restock, "cancelled", by=by, now=now, details={"reason": reason} if reason else {})
        return Done(restock, changed=True)

    return take(restock_id, step)


def reopen(restock_id: int, *, by: str, now: datetime) -> Done:
    """Make a restock that a person cancelled a draft again, unless the van has a later one.

    Raises StepConflict when it was not cancelled, or when later drafts count what it asked for.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done:  # noqa: ARG001 - a step gets both
        if restock.status == RestockStatus.DRAFT:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.CANCELLED:
            raise not_now(restock, "only a cancelled restock can be opened again")
        later = Restock.objects.filter(van=restock.van, period__gt=restock.period).last()
        if later or RestockEvent.objects.filter(restock=restock, what="superseded").exists():
            raise not_now(restock, "the drafts of a later week count what this one asked for")
        restock.lines.update(approved=None)
        _go(restock, RestockStatus.DRAFT)
        note(restock, "opened again", by=by, now=now)
        return Done(restock, changed=True)

    return take(restock_id, step)


def _go(restock: Restock, status: RestockStatus) -> None:
    restock.status = status
    restock.save(update_fields=["status"])
