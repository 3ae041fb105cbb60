"""What places used week by week, and when they had nothing to use, as the books were known at a moment.

Only what was recorded by then counts: a late document, a return or a correction recorded afterwards changes
nothing of what was known. A few queries whatever the history; the answers grow with places, consumables and
weeks only.
"""

from collections import defaultdict
from collections.abc import Collection
from datetime import datetime
from decimal import Decimal

from django.db.models import Case, F, Min, Q, QuerySet, Sum, When
from django.db.models.functions import Coalesce

from inventory.db.fixed_point import FixedPointField
from inventory.documents import Kind
from inventory.models import Movement, Place, PlaceKind
from inventory.reports.iso_weeks import BEFORE, Weeks

ZERO = Decimal(0)

Pair = tuple[int, int]  # place id, consumable id


def first_use(known_at: datetime) -> datetime | None:
    """Return when a van first used anything, None before that."""
    moment: datetime | None = (
        Movement.objects.filter(
            recorded_at__lte=known_at, destination__kind=PlaceKind.JOB, source__kind=PlaceKind.VAN
        )
        .order_by()
        .aggregate(first=Min("occurred_at"))["first"]
    )
    return moment


def used_consumables(weeks: Weeks, known_at: datetime) -> list[int]:
    """Return the consumables that vans used in the weeks, in the order of their ids."""
    used = {consumable for _, consumable in weekly_use(weeks, known_at)}
    return sorted(used)


def places_with_stock_moved(known_at: datetime) -> set[int]:
    """Return the vans that anything was brought to or taken from."""
    moved = Movement.objects.filter(recorded_at__lte=known_at).order_by()
    found: set[int] = set()
    for end in ("source", "destination"):
        found |= set(moved.filter(**{f"{end}__kind": PlaceKind.VAN}).values_list(end, flat=True).distinct())
    return found


def weekly_use(
    weeks: Weeks, known_at: datetime, consumables: Collection[int] | None = None
) -> dict[Pair, dict[int, Decimal]]:
    """Return what each van used of each consumable, by the number of the week, where it did.

    In stock units, net of returns and corrections, which count in the week and at the van of the use that
    they take back. One query.
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
    signed = Case(When(back, then=-1 * F("quantity")), default=F("quantity"), output_field=FixedPointField())
    found: dict[Pair, dict[int, Decimal]] = defaultdict(dict)
    for van, consumable, week, quantity in moved.values_list("van", "consumable", "week").annotate(
        total=Sum(signed)
    ):
        if quantity:
            found[van, consumable][week] = quantity
    return dict(found)


def bare_weeks(
    weeks: Weeks, known_at: datetime, consumables: Collection[int] | None = None
) -> dict[Pair, list[bool]]:
    """Return, for each van and consumable that ever moved there, the weeks it held none of it throughout.

    That is, by the book, nothing or less at the start of the week and nothing or less with all that came in
    during it. A place and consumable that are missing never had any. Corrected documents count as if they
    had never been. Two queries.
    """
    came, went = _flows(weeks, known_at, consumables)
    found = {}
    for pair in came.keys() | went.keys():
        held = came[pair].get(BEFORE, ZERO) - went[pair].get(BEFORE, ZERO)
        bare = []
        for week in range(weeks.count):
            held += came[pair].get(week, ZERO)
            bare.append(held <= 0)
            held -= went[pair].get(week, ZERO)
        found[pair] = bare
    return found


Flows = defaultdict[Pair, dict[int, Decimal]]


def _flows(weeks: Weeks, known_at: datetime, consumables: Collection[int] | None) -> tuple[Flows, Flows]:
    """Return what came to each van and what went from it, by the number of the week or BEFORE."""
    came: Flows = defaultdict(lambda: defaultdict(Decimal))
    went: Flows = defaultdict(lambda: defaultdict(Decimal))
    moved = _known(known_at, consumables).filter(occurred_at__lt=weeks.end)
    corrects = Case(When(document__kind=Kind.CORRECTION, then=True), default=False)
    for end, onto, taken_back_from in (("destination", came, went), ("source", went, came)):
        rows = moved.filter(**{f"{end}__kind": PlaceKind.VAN}).annotate(
            week=weeks.number_of("occurred_at"), corrects=corrects
        )
        for place, consumable, week, is_correction, quantity in rows.values_list(
            end, "consumable", "week", "corrects"
        ).annotate(total=Sum("quantity")):
            # What a correction brings back never went.
            if is_correction:
                taken_back_from[place, consumable][week] -= quantity
            else:
                onto[place, consumable][week] += quantity
    return came, went


def _known(known_at: datetime, consumables: Collection[int] | None) -> QuerySet[Movement]:
    known = Movement.objects.filter(recorded_at__lte=known_at).order_by()
    return known if consumables is None else known.filter(consumable__in=consumables)
