"""Recalculating drafts in the same week, from current stock and forecast."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime

from django.db import transaction

from forecasting.draft_requirements import depot_of
from forecasting.models import ForecastRun, Restock, RestockLine, RestockStatus, StockingTerms
from forecasting.replenishment.approval import asked_of, touched
from forecasting.replenishment.drafts import lines_of, settings_in_force
from forecasting.replenishment.inputs import gather
from forecasting.workflow import Done, StepConflict, not_now, note
from inventory.documents import Problem

# The fields of a line before a person changes anything.
DECIDED = (
    *("consumable_id", "service_class", "service", "on_hand", "on_the_way", "booked_need", "median", "high"),
    *("order_up_to", "usable_unit", "room", "wanted", "suggested", "unit_cost", "cover_days", "why"),
)


def draft_again(
    restock_id: int, run: ForecastRun, *, discard_changes: bool = False, by: str, now: datetime
) -> Done[Restock]:
    """Recalculate one draft; other vans keep what they were promised.

    Where the result is the same, nothing is changed. Raises StepConflict when it is not a draft, or when a
    person changed it and `discard_changes` does not say that this may be lost; CannotDraftError where
    nothing can be drafted; Restock.DoesNotExist.
    """
    with transaction.atomic():
        terms = StockingTerms.objects.select_for_update().get(pk=1)
        (restock,) = _locked([restock_id])
        if restock.status != RestockStatus.DRAFT:
            raise not_now(restock, "only a draft can be recalculated")
        if touched(restock.lines.all()) and not discard_changes:
            expected = "was changed by hand; say that the changes may be lost, or approve it as it is"
            raise StepConflict([Problem("lines", "", expected)])
        changed = _renewed(run, [restock], terms, by=by, now=now)
        flags: tuple[str, ...] = ()
        if changed and restock.letters.exists():
            flags = ("The week's letter was written before this; it says what was drafted then.",)
        return Done(restock, changed=bool(changed), flags=flags)


def draft_week_again(run: ForecastRun, period: str, *, by: str, now: datetime) -> list[Restock]:
    """Recalculate all drafts of a week together, and return those that changed.

    What was approved or changed by hand stays, and so does what it takes from the depot. Raises
    CannotDraftError where nothing can be drafted.
    """
    with transaction.atomic():
        terms = StockingTerms.objects.select_for_update().get(pk=1)
        drafts = Restock.objects.filter(period=period, status=RestockStatus.DRAFT).order_by("pk")
        restocks = _locked(list(drafts.values_list("pk", flat=True)))
        waiting = [restock for restock in restocks if not touched(restock.lines.all())]
        return _renewed(run, waiting, terms, by=by, now=now) if waiting else []


def _locked(ids: Collection[int]) -> list[Restock]:
    rows = Restock.objects.filter(pk__in=ids).select_related("van", "depot").order_by("pk")
    found = list(rows.select_for_update(of=("self",)).prefetch_related("lines__consumable"))
    if len(found) < len(ids):
        raise Restock.DoesNotExist
    return found


def _renewed(
    run: ForecastRun, restocks: Sequence[Restock], terms: StockingTerms, *, by: str, now: datetime
) -> list[Restock]:
    """Decide drafts of one week again, write those that change, and return them."""
    depot = depot_of(terms)
    vans = [restock.van for restock in restocks]
    gathered = gather(run, vans, depot, terms, period=restocks[0].period, now=now)
    decided: dict[int, list[RestockLine]] = {restock.pk: [] for restock in restocks}
    for line in lines_of(gathered, {restock.van_id: restock for restock in restocks}, terms.interval_days):
        decided[line.restock_id].append(line)
    changed = [
        restock
        for restock in restocks
        if restock.run_id != run.pk or _said(restock.lines.all()) != _said(decided[restock.pk])
    ]
    lost = {restock.pk: asked_of(touched(restock.lines.all())) for restock in changed}
    RestockLine.objects.filter(restock__in=changed).delete()
    RestockLine.objects.bulk_create(line for restock in changed for line in decided[restock.pk])
    inputs = settings_in_force(terms)
    for restock in changed:
        restock.run, restock.depot, restock.inputs, restock.made_at = run, depot, inputs, now
        details = {"was": lost[restock.pk]} if lost[restock.pk] else {}
        note(restock, "drafted anew", by=by, now=now, details=details)
    Restock.objects.bulk_update(changed, ["run", "depot", "inputs", "made_at"])
    return changed


def _said(lines: Iterable[RestockLine]) -> list[tuple[object, ...]]:
    """Return the content of lines, a person's changes included, in the order of their consumables."""
    said = [(*(getattr(line, name) for name in DECIDED), line.changed_to) for line in lines]
    return sorted(said, key=lambda one: one[0])
