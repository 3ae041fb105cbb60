"""Purchase drafts: what to order from each supplier on a day, for a person to approve."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import IntegerField, Max
from django.db.models.functions import Cast, Substr

from forecasting.draft_requirements import depot_of, require_finished
from forecasting.models import (
    ForecastRun,
    Purchase,
    PurchaseEvent,
    PurchaseLeftOut,
    PurchaseLine,
    PurchaseStatus,
    StockingTerms,
)
from forecasting.purchasing.inputs import PurchaseInputs, gather
from forecasting.purchasing.reorder_rules import LeftOut, OrderLine, OrderPlan, decide
from inventory.models import Place, Supplier
from shop.common.text import exact


class Drafts(list[Purchase]):
    """The purchases of a day, by supplier; `left_out` is what should be ordered and cannot be, and why."""

    left_out: Sequence[LeftOut] = ()


def draft_purchases(run: ForecastRun, day: date, *, by: str, now: datetime) -> Drafts:
    """Draft what to order on a day, and return the purchases of that day.

    A supplier that has a purchase of the day, or of a later one, is left as it is: the same day again
    changes nothing, however many ask at once. A draft of an earlier day that nobody has touched is decided
    again and becomes this day's; one that is no longer needed is cancelled. A draft that a person has changed
    or begun stays as it is, and whatever else is due from its supplier goes to `left_out`.

    Raises CannotDraftError without a depot, with several and none chosen, and for an unfinished forecast.
    """
    require_finished(run)
    with transaction.atomic():
        # Another process that drafts at the same time waits here, then finds these drafts.
        terms = StockingTerms.objects.select_for_update().get(pk=1)
        depot = depot_of(terms)
        settled = set(
            Purchase.objects.filter(period__gte=day.isoformat()).values_list("supplier__code", flat=True)
        )
        waiting = _waiting_drafts(settled)
        kept = {draft.supplier.code: draft for draft in waiting if is_touched(draft)}
        renewed = {draft.supplier.code: draft for draft in waiting if draft.supplier.code not in kept}
        gathered = gather(run, depot, terms, day, renewed=[draft.pk for draft in renewed.values()])
        plan = decide(gathered.items, gathered.suppliers, gathered.rules)
        wanted = {
            code: lines for code, lines in plan.orders.items() if code not in settled and code not in kept
        }
        _write(wanted, renewed, gathered, run=run, day=day, depot=depot, by=by, now=now)
        of_day = Purchase.objects.filter(period=day.isoformat()).select_related("supplier", "depot", "run")
        drafts = Drafts(of_day.order_by("supplier__code"))
        drafts.left_out = [*gathered.left_out, *plan.left_out, *_kept_waiting(plan, kept)]
        _keep_left_out(drafts.left_out, now)
        return drafts


def _keep_left_out(left_out: Sequence[LeftOut], now: datetime) -> None:
    """Replace what was left out: to find it again, everything would have to be decided again."""
    PurchaseLeftOut.objects.all().delete()
    PurchaseLeftOut.objects.bulk_create(
        PurchaseLeftOut(consumable=one.consumable, supplier=one.supplier, reason=one.reason, at=now)
        for one in left_out
    )


def begin_order(supplier: Supplier, *, by: str, now: datetime, today: date) -> Purchase:
    """Return the supplier's open draft, or begin an empty one for a person to fill.

    Raises CannotDraftError without a depot to deliver to.
    """
    with transaction.atomic():
        terms = StockingTerms.objects.select_for_update().get(pk=1)
        if draft := Purchase.objects.filter(supplier=supplier, status=PurchaseStatus.DRAFT).first():
            return draft
        deliver_to = getattr(getattr(supplier, "terms", None), "deliver_to", None)
        purchase = Purchase.objects.create(
            number=_numbers(today, 1)[0],
            supplier=supplier,
            depot=deliver_to or depot_of(terms),
            inputs={},
            made_at=now,
        )
        PurchaseEvent.objects.create(purchase=purchase, what="begun by hand", at=now, by=by)
        return purchase


def _waiting_drafts(settled: Iterable[str]) -> list[Purchase]:
    drafts = Purchase.objects.filter(status=PurchaseStatus.DRAFT).exclude(supplier__code__in=settled)
    locked = drafts.select_related("supplier").prefetch_related("lines").order_by("pk")
    return list(locked.select_for_update(of=("self",)))


def is_touched(draft: Purchase) -> bool:
    """Return whether a person began or changed a draft."""
    return (
        not draft.period
        or bool(draft.note)
        or any(line.by_hand or line.approved_packs is not None for line in draft.lines.all())
    )


def _kept_waiting(plan: OrderPlan, kept: dict[str, Purchase]) -> list[LeftOut]:
    return [
        LeftOut(
            line.wish.item.consumable,
            supplier,
            f"{line.wish.packs} {line.wish.offer.pack} more are due, but {kept[supplier]} waits, changed by "
            "hand; add them there, or approve it and the next draft has them",
        )
        for supplier, lines in plan.orders.items()
        if supplier in kept
        for line in lines
    ]


def _write(
    wanted: dict[str, list[OrderLine]],
    renewed: dict[str, Purchase],
    gathered: PurchaseInputs,
    *,
    run: ForecastRun,
    day: date,
    depot: Place,
    by: str,
    now: datetime,
) -> None:
    """Write the drafts and their lines, new or instead of those of an earlier day."""
    suppliers = {row.code: row for row in Supplier.objects.select_related("terms__deliver_to")}
    events = []
    stale = [draft for code, draft in renewed.items() if code not in wanted]
    for draft in stale:
        draft.status = PurchaseStatus.CANCELLED
        details = {"by_period": day.isoformat()}
        events.append(PurchaseEvent(purchase=draft, what="needed no more", details=details, at=now, by=by))
    new = []
    numbers = iter(_numbers(day, len(wanted.keys() - renewed.keys())))
    for code in wanted:
        draft = renewed.get(code) or Purchase(
            number=next(numbers), supplier=suppliers[code], status=PurchaseStatus.DRAFT
        )
        what = "drafted anew" if draft.pk else "drafted"
        if not draft.pk:
            new.append(draft)
        draft.depot = suppliers[code].terms.deliver_to or depot
        draft.period, draft.run, draft.made_at = day.isoformat(), run, now
        draft.inputs = _settings_in_force(code, gathered)
        events.append(PurchaseEvent(purchase=draft, what=what, at=now, by=by))
        renewed.setdefault(code, draft)
    Purchase.objects.bulk_create(new)
    old = [draft for draft in renewed.values() if draft not in new]
    Purchase.objects.bulk_update(old, ["status", "depot", "period", "run", "made_at", "inputs"])
    PurchaseLine.objects.filter(purchase__in=[draft for draft in old if draft not in stale]).delete()
    PurchaseLine.objects.bulk_create(
        _stored(renewed[code], line, gathered) for code, lines in wanted.items() for line in lines
    )
    PurchaseEvent.objects.bulk_create(events)


def _stored(purchase: Purchase, line: OrderLine, gathered: PurchaseInputs) -> PurchaseLine:
    wish, item = line.wish, line.wish.item
    return PurchaseLine(
        purchase=purchase,
        consumable=gathered.consumables[item.consumable],
        pack=gathered.packs[wish.offer.key],
        pack_units=wish.offer.units,
        prices=wish.offer.prices.to_json(),
        on_hand=item.on_hand,
        on_order=item.on_order,
        owed=item.owed,
        median=line.median,
        high=line.high,
        reorder_level=wish.reorder_level,
        order_up_to=wish.order_up_to,
        most=item.most,
        suggested_packs=wish.packs,
        topped_up=wish.topped_up > 0,
        cover_days=wish.cover_days(wish.packs),
        why=line.why,
    )


def _settings_in_force(supplier: str, gathered: PurchaseInputs) -> dict[str, Any]:
    """Return the settings a draft is made by, as JSON values."""
    lead_time, rules, own = gathered.lead_times[supplier], gathered.rules, gathered.suppliers[supplier]
    return {
        "service": exact(rules.service),
        "review_days": rules.review_days,
        "cover_days": rules.cover_days,
        "holding_rate": exact(rules.holding_rate),
        "lead_days": round(lead_time.mean_days, 2),
        "lead_days_deviation": round(lead_time.deviation_days, 2),
        "lead_days_stated": lead_time.stated_days,
        "deliveries_seen": lead_time.seen,
        "order_cost": exact(own.order_cost),
        "least_order_value": exact(own.least_order_value),
    }


def _numbers(day: date, count: int) -> list[str]:
    """Return the next free numbers of the year; the caller holds the stocking terms."""
    start = f"PO-{day.year}-"
    of_year = Purchase.objects.filter(number__startswith=start)
    last = of_year.aggregate(last=Max(Cast(Substr("number", len(start) + 1), IntegerField())))["last"] or 0
    return [f"{start}{number:04d}" for number in range(last + 1, last + count + 1)]
