"""Weekly restock drafts: what each van should get from the depot, for a person to approve."""

import re
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from django.db import transaction

from forecasting.draft_requirements import depot_of, require_finished
from forecasting.models import (
    ForecastRun,
    Restock,
    RestockEvent,
    RestockLine,
    RestockStatus,
    StockingTerms,
)
from forecasting.replenishment.inputs import RestockInputs, gather
from forecasting.replenishment.order_up_to import decide
from inventory.models import Place, PlaceKind
from shop.common.text import exact

WEEK = re.compile(r"[0-9]{4}-W(0[1-9]|[1-4][0-9]|5[0-3])")


def draft_restocks(run: ForecastRun, period: str, *, by: str, now: datetime) -> list[Restock]:
    """Draft every van's restock of an ISO week, and return all restocks of that week, by van.

    All vans are decided together, since they share the depot. A van that has a restock of the week, or of a
    later one, is left as it is: the same period again changes nothing, however many ask at once. Drafts of
    earlier weeks that nobody approved are cancelled, since the new ones count what they asked for. Vans that
    burn nothing and have nothing booked get no draft.

    Raises CannotDraftError without a depot, with several and none chosen, for a forecast that is not
    finished, and ValueError for a period that is no ISO week.
    """
    if not WEEK.fullmatch(period):
        raise ValueError(f"{period!r} is not an ISO week such as 2026-W48")
    require_finished(run)
    with transaction.atomic():
        # Another process that drafts at the same time waits here, then finds these drafts.
        terms = StockingTerms.objects.select_for_update().get(pk=1)
        drafted = Restock.objects.filter(period__gte=period).values("van")
        vans = list(Place.objects.filter(kind=PlaceKind.VAN).exclude(pk__in=drafted).order_by("code"))
        if vans:
            _supersede(vans, period, by=by, now=now)
            _draft(run, vans, terms, period, by=by, now=now)
        of_week = Restock.objects.filter(period=period).select_related("van", "depot", "run")
        return list(of_week.order_by("van__code"))


def week_of(day: date) -> str:
    """Return the ISO week of a day, such as 2026-W48."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02}"


def _supersede(vans: Sequence[Place], period: str, *, by: str, now: datetime) -> None:
    """Cancel drafts of earlier weeks that still wait for approval."""
    waiting = Restock.objects.filter(van__in=vans, status=RestockStatus.DRAFT, period__lt=period)
    old = list(waiting.order_by("pk").select_for_update(of=("self",)))
    Restock.objects.filter(pk__in=[restock.pk for restock in old]).update(status=RestockStatus.CANCELLED)
    RestockEvent.objects.bulk_create(
        RestockEvent(restock=restock, what="superseded", details={"by_period": period}, at=now, by=by)
        for restock in old
    )


def _draft(
    run: ForecastRun, vans: Sequence[Place], terms: StockingTerms, period: str, *, by: str, now: datetime
) -> None:
    depot = depot_of(terms)
    gathered = gather(run, vans, depot, terms, period=period, now=now)
    needing = {place for place, _ in gathered.facts}
    inputs = settings_in_force(terms)
    restocks = {
        van.pk: Restock(van=van, depot=depot, period=period, run=run, inputs=inputs, made_at=now)
        for van in vans
        if van.pk in needing
    }
    Restock.objects.bulk_create(restocks.values())
    lines = lines_of(gathered, restocks, terms.interval_days)
    RestockLine.objects.bulk_create(lines)
    RestockEvent.objects.bulk_create(
        RestockEvent(restock=restock, what="drafted", at=now, by=by) for restock in restocks.values()
    )


def lines_of(gathered: RestockInputs, restocks: dict[int, Restock], interval_days: int) -> list[RestockLine]:
    """Return the lines of each van's restock, by place id, not yet saved."""
    facts = gathered.facts
    decisions = decide(list(facts.values()), gathered.depot_stock, interval_days)
    return [
        RestockLine(
            restock=restocks[place],
            consumable_id=consumable,
            service_class=gathered.classes[consumable],
            service=fact.service,
            on_hand=fact.on_hand,
            on_the_way=fact.on_the_way,
            booked_need=fact.booked.mean,
            median=decision.median,
            high=decision.high,
            order_up_to=decision.order_up_to,
            usable_unit=fact.usable_unit,
            room=fact.room,
            wanted=decision.wanted,
            suggested=decision.suggested,
            unit_cost=gathered.unit_costs[consumable],
            cover_days=decision.cover_days,
            why=decision.why,
        )
        for ((place, consumable), fact), decision in zip(facts.items(), decisions, strict=True)
    ]


def settings_in_force(terms: StockingTerms) -> dict[str, Any]:
    """Return the settings a draft is made by, as JSON values."""
    names = ("service_stops_a_job", "service_a", "service_b", "service_c", "a_share", "b_share")
    return {
        "review_days": terms.review_days,
        "lead_days": terms.van_lead_days,
        "interval_days": terms.interval_days,
        **{name: exact(getattr(terms, name)) for name in names},
    }
