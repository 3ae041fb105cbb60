"""What each van was to get, got, used and held of each consumable over the last weeks, read all at once."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal

import pandas as pd
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Sum

from forecasting.demand.frames import SERIES, frame, iso_weeks
from forecasting.models import ConsumableTerms, RestockLine, RestockStatus, the_terms
from forecasting.policy_review.stock_history import WANTED_FOR, Change, WeekHeld, steps, weeks_held
from forecasting.replenishment.drafts import week_of
from forecasting.replenishment.inputs import classes_now, service_of
from forecasting.stock_control.numeric_checks import rounded
from inventory.db.fixed_point import from_scaled
from inventory.decimals import ZERO
from inventory.documents import DocumentKind
from inventory.models import Consumable, ConsumableKind, Holding, Movement, PlaceConsumable, PlaceKind
from inventory.reports.iso_weeks import Weeks
from inventory.reports.weekly_consumption import weekly_use
from inventory.weeks import A_WEEK, monday_of
from shop.costing.last_landed_cost import known_unit_costs
from shop.models import Person, Role, in_shop_zone, the_shop
from shop.people.permissions import own_van, role_of

WEEKS_OFFERED = (4, 13, 26, 52)
WEEKS_USUAL = 13
# The number of rows computed from all movements at once; longer lists are narrowed by van first.
PAIRS_MAX = 1000

# What brings stock to a van; a count finds it and a return takes a use back.
BRINGING = (DocumentKind.RECEIPT, DocumentKind.TRANSFER)


@dataclass(frozen=True, slots=True)
class Week:
    """One week of a consumable on a van, in stock units.

    Recommended and approved are None where no restock said anything. Received is all that came on the van,
    by a restock or not. `counts`: the van held some or wanted it; see
    `forecasting.policy_review.stock_history`.
    """

    period: str
    start: datetime
    recommended: Decimal | None
    approved: Decimal | None
    received: Decimal
    used: Decimal
    held: WeekHeld

    @property
    def counts(self) -> bool:
        """Whether it could have run out."""
        return self.held.wanted or self.held.average > 0

    @property
    def ran_out(self) -> bool:
        """Whether it ran out while it was wanted."""
        return self.held.ran_out


@dataclass(frozen=True, slots=True)
class ReviewRow:
    """One consumable on one van over all weeks; `target` is the service it is held for now."""

    van: str
    consumable: Consumable
    service_class: str
    target: Decimal
    unit_cost: Decimal
    weeks: Sequence[Week]

    @property
    def recommended(self) -> Decimal:
        """What the drafts suggested."""
        return sum((week.recommended or ZERO for week in self.weeks), ZERO)

    @property
    def approved(self) -> Decimal:
        """What a person approved."""
        return sum((week.approved or ZERO for week in self.weeks), ZERO)

    @property
    def received(self) -> Decimal:
        """What came on the van."""
        return sum((week.received for week in self.weeks), ZERO)

    @property
    def used(self) -> Decimal:
        """What jobs took."""
        return sum((week.used for week in self.weeks), ZERO)

    @property
    def counted(self) -> int:
        """The number of weeks that count."""
        return sum(week.counts for week in self.weeks)

    @property
    def ran_out(self) -> int:
        """The number of weeks in which it ran out."""
        return sum(week.ran_out for week in self.weeks)

    @property
    def lasted(self) -> float | None:
        """The share of weeks in which it did not run out; None where none counts."""
        return 1 - self.ran_out / self.counted if self.counted else None

    @property
    def under_target(self) -> bool:
        """Whether it stayed in stock less often than it should."""
        return self.lasted is not None and self.lasted < self.target

    @property
    def average(self) -> Decimal:
        """What was held on average, over the weeks that count."""
        held = [week.held.average for week in self.weeks if week.counts]
        return rounded(sum(held, ZERO) / len(held)) if held else ZERO

    @property
    def value(self) -> Decimal:
        """Its value at the last landed cost."""
        return rounded(self.average * self.unit_cost)


def weeks_back(count: int, now: datetime) -> Weeks:
    """Return the last whole weeks on the shop's clocks that have ended."""
    shop = the_shop()
    return Weeks(monday_of(in_shop_zone(now, shop).date()) - count * A_WEEK, count, shop.zone)


def visible_to(person: Person) -> QuerySet[Holding]:
    """Return what vans ever held, by van and consumable; for a technician that of their own van."""
    held = Holding.objects.filter(place__kind=PlaceKind.VAN).select_related("place", "consumable")
    held = held.order_by("place__code", "consumable__code")
    if role_of(person) != Role.TECHNICIAN:
        return held
    own = own_van(person)
    return held.filter(place=own.van.place_id) if own else held.none()


def in_use(held: QuerySet[Holding], weeks: Weeks) -> QuerySet[Holding]:
    """Leave out what is not on the van now and did not move there, in the weeks or shortly before them."""
    end = Q(source=OuterRef("place")) | Q(destination=OuterRef("place"))
    earliest = weeks.start - WANTED_FOR
    moved = Movement.objects.filter(
        end, consumable=OuterRef("consumable"), posted_at__gte=earliest, occurred_at__gte=earliest
    )
    return held.filter(~Q(quantity=0) | Exists(moved))


def look_back(held: Collection[Holding], weeks: Weeks, now: datetime) -> list[ReviewRow]:
    """Return a row for each holding, in their order; the number of queries does not depend on theirs."""
    places = {one.place_id for one in held}
    consumables = {one.consumable_id: one.consumable for one in held}
    terms = the_terms()
    own = {row.pk: row for row in ConsumableTerms.objects.all()}
    classes = classes_now(terms, own, now)
    costs = known_unit_costs(consumables.values())
    pairs = pd.MultiIndex.from_arrays(
        [[one.place_id for one in held], [one.consumable_id for one in held]], names=SERIES
    )
    used = frame(weekly_use(weeks, now, consumables), iso_weeks(weeks.first, weeks.count), pairs)
    said = _said(weeks, places, consumables)
    moved = _moved(weeks.start, places, consumables)
    rows = []
    for one, used_by_week in zip(held, used.T.to_numpy().tolist(), strict=True):
        pair = one.place_id, one.consumable_id
        of_class = classes[one.consumable_id]
        rows.append(
            ReviewRow(
                van=one.place.code,
                consumable=one.consumable,
                service_class=of_class,
                target=service_of(of_class, own.get(one.consumable_id), terms),
                unit_cost=costs.get(one.consumable_id, ZERO),
                weeks=_weeks(
                    weeks,
                    weeks_held(
                        one.quantity,
                        moved[pair].changes,
                        weeks.starts,
                        uses=sorted(moved[pair].uses),
                        worn=one.consumable.kind == ConsumableKind.WORN,
                    ),
                    used_by_week,
                    moved[pair].came,
                    said[pair],
                ),
            )
        )
    return rows


def stock_steps(held: Holding, weeks: Weeks) -> list[tuple[datetime, Decimal]]:
    """Return what one holding was from each moment on, from the start of the weeks to their end."""
    moved = _moved(weeks.start, [held.place_id], [held.consumable_id])[held.place_id, held.consumable_id]
    line = steps(held.quantity, sorted(moved.changes, key=lambda change: change.at), weeks.start)
    return [(at, quantity) for at, quantity in line if at < weeks.end]


Said = tuple[Decimal | None, Decimal | None]
NOTHING_SAID: Said = (None, None)


def _weeks(
    weeks: Weeks,
    held: Sequence[WeekHeld],
    used: Sequence[int],
    came: Sequence[Change],
    said: Mapping[str, Said],
) -> list[Week]:
    """Lay the weeks of one holding out; `used` is in ten-thousandths of the stock unit."""
    starts = weeks.starts
    received = [ZERO] * weeks.count
    for change in came:
        # What came after the last week is in none.
        if change.at < weeks.end:
            received[bisect_right(starts, change.at) - 1] += change.quantity
    found = []
    for number, (monday, start) in enumerate(zip(weeks.mondays, starts[:-1], strict=True)):
        period = week_of(monday)
        recommended, approved = said.get(period, NOTHING_SAID)
        found.append(
            Week(
                period=period,
                start=start,
                recommended=recommended,
                approved=approved,
                received=received[number],
                used=from_scaled(used[number]) if used[number] else ZERO,
                held=held[number],
            )
        )
    return found


def _said(
    weeks: Weeks, places: Collection[int], consumables: Collection[int]
) -> dict[PlaceConsumable, dict[str, Said]]:
    """Return what restocks recommended and approved, by week."""
    lines = RestockLine.objects.filter(
        restock__van__in=places,
        restock__period__in=[week_of(monday) for monday in weeks.mondays],
        consumable__in=consumables,
    ).exclude(restock__status=RestockStatus.CANCELLED)
    found: dict[PlaceConsumable, dict[str, Said]] = defaultdict(dict)
    for van, consumable, period, recommended, approved in lines.order_by().values_list(
        "restock__van_id", "consumable_id", "restock__period", "suggested", "approved"
    ):
        found[van, consumable][period] = recommended, approved
    return found


@dataclass(slots=True)
class MovedThere:
    """What moved of one consumable at one van: all changes, those that brought stock, moments of use."""

    changes: list[Change] = field(default_factory=list)
    came: list[Change] = field(default_factory=list)
    uses: list[datetime] = field(default_factory=list)


def _moved(
    start: datetime, places: Collection[int], consumables: Collection[int]
) -> dict[PlaceConsumable, MovedThere]:
    """Return all that moved at the places since the start, and uses for a while before it.

    What was corrected never moved. What goes back from a van to where it is under way had not come.
    """
    earliest = start - WANTED_FOR
    rows = (
        Movement.objects.filter(
            Q(source__in=places) | Q(destination__in=places),
            consumable__in=consumables,
            # The same again, by a field that has an index: nothing counts before it happened.
            posted_at__gte=earliest,
            occurred_at__gte=earliest,
            document__corrected_by__isnull=True,
        )
        .exclude(document__kind=DocumentKind.CORRECTION)
        .order_by()
        .values_list("source", "destination", "consumable", "occurred_at", "document__kind")
        .annotate(total=Sum("quantity"), to=F("destination__kind"))
    )
    found: dict[PlaceConsumable, MovedThere] = defaultdict(MovedThere)
    for source, destination, consumable, at, kind, quantity, to in rows:
        if source in places:
            gone = found[source, consumable]
            if to == PlaceKind.JOB:
                gone.uses.append(at)
            if at >= start:
                gone.changes.append(Change(at, -quantity))
                if to == PlaceKind.TRANSIT:
                    gone.came.append(Change(at, -quantity))
        if destination in places and at >= start:
            found[destination, consumable].changes.append(Change(at, quantity))
            if kind in BRINGING:
                found[destination, consumable].came.append(Change(at, quantity))
    return found


@dataclass(frozen=True, slots=True)
class ClassSum:
    """All rows of a service class together: weeks in stock against the target, and stock held."""

    service_class: str
    rows: int
    weeks: int
    ran_out: int
    target: Decimal
    value: Decimal

    @property
    def lasted(self) -> float | None:
        """The share of their weeks in which they did not run out."""
        return 1 - self.ran_out / self.weeks if self.weeks else None

    @property
    def under_target(self) -> bool:
        """Whether they stayed in stock less often than they should."""
        return self.lasted is not None and self.lasted < self.target


def by_class(rows: Sequence[ReviewRow]) -> list[ClassSum]:
    """Sum rows up by service class; the target of a class is the mean of its rows'."""
    groups: dict[str, list[ReviewRow]] = defaultdict(list)
    for row in rows:
        groups[row.service_class].append(row)
    return [
        ClassSum(
            service_class=name,
            rows=len(group),
            weeks=sum(row.counted for row in group),
            ran_out=sum(row.ran_out for row in group),
            target=rounded(sum((row.target for row in group), ZERO) / len(group)),
            value=sum((row.value for row in group), ZERO),
        )
        for name, group in sorted(groups.items(), key=lambda item: (len(item[0]) == 1, item[0]))
    ]
