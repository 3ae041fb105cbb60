"""A person's changes to and approval of a restock, taking them back, and cancelling it."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from decimal import Decimal

from forecasting.models import Restock, RestockEvent, RestockLine, RestockStatus, StockingTerms
from forecasting.replenishment.drafts import lines_of
from forecasting.replenishment.inputs import gather
from forecasting.replenishment.quantities import Quantities, as_text, chosen, wrong_quantity
from forecasting.workflow import Done, StepRefused, go, not_now, note, take
from inventory.documents import Problem
from inventory.models import Consumable
from shop.common.text import exact

LONGEST_WHY = 500


def change(restock_id: int, quantities: Quantities, *, by: str, now: datetime) -> Done[Restock]:
    """Change a draft: each line given at its quantity, 0 leaving it out; others stay as they are.

    A consumable that is not on the draft is added by hand, with what is known of it on the van. The same
    again is answered with the first. Raises StepRefused for invalid quantities and consumables;
    StepConflict when the restock is no longer a draft.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        if restock.status != RestockStatus.DRAFT:
            raise not_now(restock, "take the approval back to change it")
        suggested = len(lines)
        asked = _asked(restock, lines, quantities, now)
        changed = [line for line in lines if line.asked_for != asked[line.consumable.code]]
        for line in changed:
            line.changed_to = _changed_to(line, asked[line.consumable.code])
        RestockLine.objects.bulk_update(changed, ["changed_to"])
        changed += lines[suggested:]
        if changed:
            note(restock, "changed", by=by, now=now, details={"changed": asked_of(changed)})
        return Done(restock, changed=bool(changed))

    return take(Restock, restock_id, step)


def undo_changes(restock_id: int, *, by: str, now: datetime) -> Done[Restock]:
    """Restore a draft's suggestion: lines added by hand go. Raises StepConflict when it is not a draft."""

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        if restock.status != RestockStatus.DRAFT:
            raise not_now(restock, "only a draft can be reset to the suggestion")
        changed = touched(lines)
        if not changed:
            return Done(restock, changed=False)
        restock.lines.filter(by_hand=True).delete()
        restock.lines.update(changed_to=None)
        note(restock, "changes undone", by=by, now=now, details={"was": asked_of(changed)})
        return Done(restock, changed=True)

    return take(Restock, restock_id, step)


def touched(lines: Iterable[RestockLine]) -> list[RestockLine]:
    """Return the lines that a person changed or added."""
    return [line for line in lines if line.changed_to is not None]


def approve(
    restock_id: int, quantities: Quantities | None = None, *, by: str, now: datetime
) -> Done[Restock]:
    """Approve a draft: each line at the given quantity, in stock units, or as suggested where none is given.

    A consumable that is not on the draft is added by hand. The same approval again returns the first.
    Raises StepRefused for quantities that are invalid or all 0; StepConflict when the restock is no longer a
    draft, and was approved with other quantities.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        if restock.status == RestockStatus.APPROVED and chosen(
            lines, quantities, lambda line: line.asked_for
        ) == {line.consumable.code: line.approved for line in lines}:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.DRAFT:
            raise not_now(restock, "take the approval back to change it")
        approved = _asked(restock, lines, quantities or {}, now)
        if not any(approved.values()):
            raise StepRefused(
                [Problem("lines", "", "are all nothing; give something, or cancel the restock")]
            )
        for line in lines:
            line.approved = approved[line.consumable.code]
        RestockLine.objects.bulk_update(lines, ["approved"])
        go(restock, RestockStatus.APPROVED)
        changes = {
            line.consumable.code: line.approved or Decimal(0)
            for line in lines
            if line.approved != line.suggested
        }
        details = {code: exact(quantity) for code, quantity in changes.items()}
        note(restock, "approved", by=by, now=now, details={"changed": details} if details else {})
        return Done(restock, changed=True)

    return take(Restock, restock_id, step)


def take_approval_back(restock_id: int, *, by: str, now: datetime) -> Done[Restock]:
    """Make an approved restock a draft again, with the quantities approved, while nothing of it is picked.

    Raises StepConflict when it is neither approved nor a draft.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        if restock.status == RestockStatus.DRAFT:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.APPROVED:
            raise not_now(restock, "only an approval of which nothing is picked can be taken back")
        details = as_text({line.consumable.code: line.approved or Decimal(0) for line in lines})
        for line in lines:
            line.changed_to, line.approved = _changed_to(line, line.approved or Decimal(0)), None
        RestockLine.objects.bulk_update(lines, ["changed_to", "approved"])
        go(restock, RestockStatus.DRAFT)
        note(restock, "approval taken back", by=by, now=now, details={"approved": details})
        return Done(restock, changed=True)

    return take(Restock, restock_id, step)


def cancel(restock_id: int, *, by: str, now: datetime, reason: str = "") -> Done[Restock]:
    """Cancel a restock of which nothing is picked. Raises StepConflict when something is."""

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:  # noqa: ARG001 - a step gets both
        if restock.status == RestockStatus.CANCELLED:
            return Done(restock, changed=False)
        if restock.status not in (RestockStatus.DRAFT, RestockStatus.APPROVED):
            raise not_now(restock, "take the pick back first")
        go(restock, RestockStatus.CANCELLED)
        note(restock, "cancelled", by=by, now=now, details={"reason": reason} if reason else {})
        return Done(restock, changed=True)

    return take(Restock, restock_id, step)


def reopen(restock_id: int, *, by: str, now: datetime) -> Done[Restock]:
    """Make a restock that a person cancelled a draft again, unless the van has a later one.

    Raises StepConflict when it was not cancelled, or when later drafts count what it asked for.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:  # noqa: ARG001 - a step gets both
        if restock.status == RestockStatus.DRAFT:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.CANCELLED:
            raise not_now(restock, "only a cancelled restock can be opened again")
        later = Restock.objects.filter(van=restock.van, period__gt=restock.period).last()
        if later or RestockEvent.objects.filter(restock=restock, what="superseded").exists():
            raise not_now(restock, "the drafts of a later week count what this one asked for")
        restock.lines.update(approved=None)
        go(restock, RestockStatus.DRAFT)
        note(restock, "opened again", by=by, now=now)
        return Done(restock, changed=True)

    return take(Restock, restock_id, step)


def _asked(
    restock: Restock, lines: list[RestockLine], quantities: Quantities, now: datetime
) -> dict[str, Decimal]:
    """Return what a person asks for of each line, by code; lines that are added go to `lines`."""
    on_it = {line.consumable.code for line in lines}
    given = {code: quantity for code, quantity in quantities.items() if code in on_it}
    asked = chosen(lines, given, lambda line: line.asked_for)
    added = _added(restock, {code: quantities[code] for code in quantities if code not in on_it}, now)
    RestockLine.objects.bulk_create(added)
    lines += added
    return asked | {line.consumable.code: line.asked_for for line in added}


def _changed_to(line: RestockLine, quantity: Decimal) -> Decimal | None:
    """Return a person's number for a line, None where it is the suggestion."""
    return None if quantity == line.suggested and not line.by_hand else quantity


def _added(restock: Restock, given: Quantities, now: datetime) -> list[RestockLine]:
    """Return lines for further consumables, not yet saved, with all that is known of them on the van."""
    if not given:
        return []
    known = Consumable.objects.in_bulk(list(given), field_name="code")
    problems = [
        Problem("consumable", code, "is not on this restock and no consumable of the shop")
        for code in given
        if code not in known
    ]
    by_pk = {row.pk: row for row in known.values()}
    pairs = {(restock.van_id, pk) for pk in by_pk}
    terms = StockingTerms.objects.get(pk=1)
    gathered = gather(
        restock.run, [restock.van], restock.depot, terms, period=restock.period, now=now, also=pairs
    )
    facts = {pair: fact for pair, fact in gathered.facts.items() if pair in pairs}
    added = lines_of(replace(gathered, facts=facts), {restock.van_id: restock}, terms.interval_days)
    for line in added:
        line.consumable = by_pk[line.consumable_id]
        line.changed_to, line.by_hand = given[line.consumable.code], True
        line.wanted = line.suggested = Decimal(0)
        line.why = f"Added by hand: {line.why}"[:LONGEST_WHY]
        if found := wrong_quantity(line, line.changed_to):
            problems.append(Problem("added", line.changed_to, f"of {line.consumable.name} {found}"))
        elif not line.changed_to:
            problems.append(Problem("added", 0, f"of {line.consumable.name} is nothing; leave it out"))
    if problems:
        raise StepRefused(problems)
    return added


def asked_of(lines: Iterable[RestockLine]) -> dict[str, str]:
    """Return what lines ask for, by code, as JSON values for an event."""
    return {line.consumable.code: exact(line.asked_for) for line in lines}
