"""Consumption and movements of places, week by week, as the books were known at a moment.

Only what was recorded by then counts: a late document, a return or a correction recorded afterwards changes
nothing of what was known. A few queries whatever the history; the answers grow with places, consumables and
weeks only.

Answers are rows, which the caller lays out as it needs them. Quantities in them are whole ten-thousandths of
the stock unit, as they are stored (`inventory.db.fixed_point`).
"""

from collections.abc import Collection
from datetime import datetime

from django.db.models import BigIntegerField, Case, F, Q, QuerySet, Sum, When
from django.db.models.functions import Coalesce

from inventory.documents import DocumentKind
from inventory.models import Movement, Place, PlaceKind
from inventory.reports.iso_weeks import Weeks

WeekRow = tuple[int, int, int, int]  # place id, consumable id, number of the week, ten-thousandths


def used_consumables(weeks: Weeks, known_at: datetime) -> list[int]:
    """Return the consumables that vans used in the weeks, in the order of their ids."""
    return sorted({consumable for _, consumable, _, _ in weekly_use(weeks, known_at)})


def places_with_stock_moved(known_at: datetime) -> set[int]:
    """Return the vans that anything was brought to or taken from."""
    moved = Movement.objects.filter(recorded_at__lte=known_at).order_by()
    found: set[int] = set()
    for end in ("source", "destination"):
        found |= set(moved.filter(**{f"{end}__kind": PlaceKind.VAN}).values_list(end, flat=True).distinct())
    return found


def weekly_use(weeks: Weeks, known_at: datetime, consumables: Collection[int] | None = None) -> list[WeekRow]:
    """Return what each van used of each consumable in each week, a row where it did.

    Net of returns and corrections, which count in the week and at the van of the use that they take back.
    One query.
    """
    root = "use_at"
    back = Q(source__kind=PlaceKind.JOB)
    moved = (
        _known(known_at, consumables)
        .filter(Q(destination__kind=PlaceKind.JOB) | back)
        .annotate(
            # A correction may undo a return, which itself takes back a use; there are no longer chains.
            **{root: Coalesce("reverses__reverses__occurred_at", "reverses__occurred_at", "occurred_at")},
            van=Coalesce("reverses__reverses__source", "reverses__source", "source"),
        )
        .filter(
            van__in=Place.objects.filter(kind=PlaceKind.VAN).values("pk"),
            **{f"{root}__gte": weeks.start, f"{root}__lt": weeks.end},
        )
        .annotate(week=weeks.number_of(root))
    )
    signed = Case(When(back, then=-1 * F("quantity")), default=F("quantity"), output_field=BigIntegerField())
    rows = moved.values_list("van", "consumable", "week").annotate(total=Sum(signed))
    return [row for row in rows if row[-1]]


def weekly_flows(
    weeks: Weeks, known_at: datetime, consumables: Collection[int] | None = None
) -> tuple[list[WeekRow], list[WeekRow]]:
    """Return what came to each van in each week, and what went from it; before the first week in BEFORE.

    There may be several rows of one week, to be added up. Corrected documents count as if they had never
    been: what a correction brings back is taken off what went. Two queries.
    """
    came: list[WeekRow] = []
    went: list[WeekRow] = []
    moved = _known(known_at, consumables).filter(occurred_at__lt=weeks.end)
    corrects = Case(When(document__kind=DocumentKind.CORRECTION, then=True), default=False)
    for end, onto, taken_back_from in (("destination", came, went), ("source", went, came)):
        rows = moved.filter(**{f"{end}__kind": PlaceKind.VAN}).annotate(
            week=weeks.number_of("occurred_at"), corrects=corrects
        )
        for place, consumable, week, is_correction, quantity in rows.values_list(
            end, "consumable", "week", "corrects"
        ).annotate(total=Sum("quantity", output_field=BigIntegerField())):
            if is_correction:
                taken_back_from.append((place, consumable, week, -quantity))
            else:
                onto.append((place, consumable, week, quantity))
    return came, went


def _known(known_at: datetime, consumables: Collection[int] | None) -> QuerySet[Movement]:
    known = Movement.objects.filter(recorded_at__lte=known_at).order_by()
    return known if consumables is None else known.filter(consumable__in=consumables)
