"""A person's changes to and approval of a purchase draft, taking them back, and cancelling the purchase."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from forecasting.models import Purchase, PurchaseLine, PurchaseStatus, SupplierTerms
from forecasting.purchasing.dispatch import withdraw_letters
from forecasting.purchasing.inputs import price_list_of
from forecasting.workflow import Done, StepRefused, go, not_now, note, take
from inventory.decimals import ZERO
from inventory.documents import Problem, free_text_problem
from inventory.models import Pack
from shop.common.text import exact, hundredths_up

MOST_PACKS = 100_000
LONGEST_NOTE = 500


@dataclass(frozen=True, slots=True)
class OrderChanges:
    """What a person changes on a draft: packs by line id, packs of further ones by pack id, and the note."""

    packs: Mapping[int, int]
    added: Sequence[tuple[int, int]] = ()
    note: str | None = None


def change(purchase_id: int, changes: OrderChanges, *, by: str, now: datetime) -> Done[Purchase]:
    """Change a draft; 0 packs strike a line out. The same again is answered with the first.

    Raises StepRefused for invalid packs, StepConflict when the purchase is no longer a draft.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status != PurchaseStatus.DRAFT:
            raise not_now(purchase, "take the approval back to change it")
        changed = _change(purchase, lines, changes)
        if changed:
            note(purchase, "changed", by=by, now=now, details=changed)
        return Done(purchase, changed=bool(changed))

    return take(Purchase, purchase_id, step)


def undo_changes(purchase_id: int, *, by: str, now: datetime) -> Done[Purchase]:
    """Make a draft what was suggested: lines added by hand go, struck ones come back.

    Raises StepConflict when it is not a draft.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status != PurchaseStatus.DRAFT:
            raise not_now(purchase, "only a draft can be reset to the suggestion")
        changed = [line for line in lines if line.by_hand or line.approved_packs is not None]
        if not changed and not purchase.note:
            return Done(purchase, changed=False)
        purchase.lines.filter(by_hand=True).delete()
        purchase.lines.update(approved_packs=None)
        purchase.note = ""
        purchase.save(update_fields=["note"])
        note(purchase, "changes undone", by=by, now=now, details={"were": _in_words(changed)})
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def approve(
    purchase_id: int, changes: OrderChanges | None = None, *, by: str, now: datetime
) -> Done[Purchase]:
    """Approve a draft, with last changes where some are given.

    The same approval again returns the first. An order that its supplier may not take, or that will not
    be used up in time, is approved and flagged: a person may know better. Raises StepRefused
    for packs that are invalid or all 0; StepConflict when it is not a draft and was approved with other
    packs.
    """
    changes = changes or OrderChanges({})

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status == PurchaseStatus.APPROVED and _says_nothing_new(purchase, lines, changes):
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.DRAFT:
            raise not_now(purchase, "take the approval back to change it")
        changed = _change(purchase, lines, changes)
        lines = list(purchase.lines.select_related("consumable", "pack"))
        if not any(line.packs for line in lines):
            raise StepRefused([Problem("lines", "", "are all 0; order something, or cancel the purchase")])
        for line in lines:
            line.approved_packs = line.packs
        PurchaseLine.objects.bulk_update(lines, ["approved_packs"])
        go(purchase, PurchaseStatus.APPROVED)
        note(purchase, "approved", by=by, now=now, details=changed)
        return Done(purchase, changed=True, flags=tuple(warnings(purchase, lines)))

    return take(Purchase, purchase_id, step)


def take_approval_back(purchase_id: int, *, by: str, now: datetime) -> Done[Purchase]:
    """Make an approved purchase a draft again, with the packs that were approved.

    Raises StepConflict when it is neither, for what was sent is with the supplier.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:
        if purchase.status == PurchaseStatus.DRAFT:
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.APPROVED:
            raise not_now(purchase, "only an approval that was not sent can be taken back")
        same = [line.pk for line in lines if line.packs == line.suggested_packs and not line.by_hand]
        purchase.lines.filter(pk__in=same).update(approved_packs=None)
        go(purchase, PurchaseStatus.DRAFT)
        note(purchase, "approval taken back", by=by, now=now)
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def cancel(purchase_id: int, *, by: str, now: datetime, reason: str = "") -> Done[Purchase]:
    """Cancel a purchase of which nothing has come; a waiting letter is no longer sent.

    Raises StepRefused for a sent one without a reason; StepConflict when something came.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:  # noqa: ARG001 - a step gets both
        if purchase.status == PurchaseStatus.CANCELLED:
            return Done(purchase, changed=False)
        if purchase.status in (PurchaseStatus.PARTLY_RECEIVED, PurchaseStatus.RECEIVED):
            raise not_now(purchase, "something came; say that the rest is not coming instead")
        if found := free_text_problem(reason):
            raise StepRefused([Problem("reason", reason[:50], found)])
        if purchase.sent_at and not reason.strip():
            raise StepRefused(
                [Problem("reason", "", "is empty; give the reason, as the supplier may have begun")]
            )
        told = purchase.sent_at is not None and not withdraw_letters(purchase)
        go(purchase, PurchaseStatus.CANCELLED)
        note(purchase, "cancelled", by=by, now=now, details={"reason": reason} if reason else {})
        flags = (f"Tell {purchase.supplier}: the order is with them.",) if told else ()
        return Done(purchase, changed=True, flags=flags)

    return take(Purchase, purchase_id, step)


def reopen(purchase_id: int, *, by: str, now: datetime) -> Done[Purchase]:
    """Make a cancelled purchase that was never sent a draft again, unless its supplier has another.

    Raises StepConflict when it was not cancelled, was sent before, or when there is a newer draft.
    """

    def step(purchase: Purchase, lines: list[PurchaseLine]) -> Done[Purchase]:  # noqa: ARG001 - a step gets both
        if purchase.status == PurchaseStatus.DRAFT:
            return Done(purchase, changed=False)
        if purchase.status != PurchaseStatus.CANCELLED or purchase.sent_at:
            raise not_now(purchase, "only one that was cancelled before it was sent can be opened again")
        drafts = Purchase.objects.filter(supplier=purchase.supplier, status=PurchaseStatus.DRAFT)
        if other := drafts.first():
            raise not_now(purchase, f"{other} is the supplier's draft now; add to that")
        go(purchase, PurchaseStatus.DRAFT)
        note(purchase, "opened again", by=by, now=now)
        return Done(purchase, changed=True)

    return take(Purchase, purchase_id, step)


def warnings(purchase: Purchase, lines: Sequence[PurchaseLine]) -> list[str]:
    """Return what a person should see before this goes to the supplier. Two queries."""
    found = []
    terms = SupplierTerms.objects.filter(supplier=purchase.supplier).first()
    total = sum((line.cost for line in lines), ZERO)
    if terms and total < terms.least_order_value:
        least = exact(terms.least_order_value)
        found.append(f"{purchase.supplier} takes orders from {least} on; this one comes to {exact(total)}.")
    least_packs = dict(
        Pack.objects.filter(pk__in=[line.pack_id for line in lines]).values_list("pk", "terms__least_packs")
    )
    for line in lines:
        least_of_pack = least_packs.get(line.pack_id) or 1
        if 0 < line.packs < least_of_pack:
            found.append(
                f"{line.consumable}: {purchase.supplier} sells {least_of_pack} {line.pack.name} or more."
            )
        if line.most is not None and line.units > line.most:
            found.append(
                f"{line.consumable}: of {hundredths_up(line.units)} {line.consumable.stock_unit} only "
                f"{hundredths_up(line.most)} will surely be used before they expire."
            )
    return found


def _says_nothing_new(purchase: Purchase, lines: Sequence[PurchaseLine], changes: OrderChanges) -> bool:
    packs = {line.pk: line.packs for line in lines}
    by_pack = {line.pack_id: line.packs for line in lines}
    return (
        all(packs.get(line) == number for line, number in changes.packs.items())
        and all(by_pack.get(pack) == number for pack, number in changes.added)
        and changes.note in (None, purchase.note)
    )


def _change(purchase: Purchase, lines: Sequence[PurchaseLine], changes: OrderChanges) -> dict[str, object]:
    """Write the changes of a draft and return them as text; nothing when there are none."""
    by_pk = {line.pk: line for line in lines}
    problems = [
        Problem("line", pk, "is not on this purchase; look at it again")
        for pk in changes.packs
        if pk not in by_pk
    ]
    for number, (pk, packs) in enumerate(changes.packs.items(), 1):
        if pk in by_pk and (found := packs_problem(packs)):
            problems.append(Problem(f"packs-{pk}", packs, found, number))
    if changes.note is not None and (found := note_problem(changes.note)):
        problems.append(Problem("note", changes.note[:50], found))
    new = _added(purchase, lines, changes.added, problems)
    if problems:
        raise StepRefused(problems)
    differing = [by_pk[pk] for pk, packs in changes.packs.items() if by_pk[pk].packs != packs]
    for line in differing:
        line.approved_packs = changes.packs[line.pk]
    PurchaseLine.objects.bulk_update(differing, ["approved_packs"])
    PurchaseLine.objects.bulk_create(new)
    said: dict[str, object] = {}
    if differing or new:
        said["packs"] = _in_words([*differing, *new])
    if changes.note is not None and changes.note != purchase.note:
        purchase.note = changes.note
        purchase.save(update_fields=["note"])
        said["note"] = changes.note
    return said


def _added(
    purchase: Purchase,
    lines: Sequence[PurchaseLine],
    added: Sequence[tuple[int, int]],
    problems: list[Problem],
) -> list[PurchaseLine]:
    """Return the lines for further packs, not yet saved; what cannot be goes to `problems`."""
    if not added:
        return []
    sold = Pack.objects.filter(pk__in=[pk for pk, _ in added], supplier=purchase.supplier)
    packs = {
        pack.pk: pack for pack in sold.select_related("consumable", "terms").prefetch_related("terms__breaks")
    }
    taken = {line.pack_id for line in lines}
    new = []
    for pk, number in added:
        pack = packs.get(pk)
        if pack is None:
            problems.append(
                Problem("pack", pk, f"is not sold by {purchase.supplier}; choose one of its packs")
            )
        elif pk in taken:
            problems.append(Problem("pack", pack, "is on the purchase already; change its packs there"))
        elif getattr(pack, "terms", None) is None:
            problems.append(Problem("pack", pack, "has no price; give it in the supplier's terms"))
        elif found := packs_problem(number) or ("is 0; leave it out" if number == 0 else None):
            problems.append(Problem("added-packs", number, found))
        else:
            taken.add(pk)
            new.append(
                PurchaseLine(
                    purchase=purchase,
                    consumable=pack.consumable,
                    pack=pack,
                    pack_units=pack.stock_units,
                    prices=price_list_of(pack.terms).to_json(),
                    suggested_packs=0,
                    approved_packs=number,
                    by_hand=True,
                    why="Added by hand.",
                )
            )
    return new


def packs_problem(packs: int) -> str | None:
    """Return what is wrong with a number of packs, or None."""
    if packs < 0:
        return "is negative; give 0 to strike the line out"
    if packs > MOST_PACKS:
        return f"is above {MOST_PACKS:,} packs; check it"
    return None


def note_problem(text: str) -> str | None:
    """Return what is wrong with a note, or None."""
    if len(text) > LONGEST_NOTE:
        return f"is longer than {LONGEST_NOTE} characters"
    return free_text_problem(text)


def _in_words(lines: Sequence[PurchaseLine]) -> list[str]:
    return [
        f"{line.packs} {line.pack.name} of {line.consumable.name}"
        + ("" if line.by_hand else f" instead of {line.suggested_packs}")
        for line in lines
    ]
