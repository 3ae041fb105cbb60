"""Books, bookings and forecast of every van and consumable, read at once."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db.models import Sum

from forecasting.models import (
    BurnForecast,
    ConsumableTerms,
    ForecastRun,
    RestockLine,
    RestockStatus,
    StockingTerms,
    VanSpace,
)
from forecasting.replenishment.abc_classes import STOPS_A_JOB, A, B, C, service_classes
from forecasting.replenishment.order_up_to import NOTHING_BOOKED, BookedUse, RestockFacts
from forecasting.replenishment.protection_interval import over_days
from forecasting.stock_control.numeric_checks import rounded
from forecasting.stock_control.spoilage import ExpiringLot
from inventory.decimals import ONE, ZERO
from inventory.models import Consumable, Holding, MovementValue, Place, PlaceConsumable, PlaceKind
from inventory.reports import expiring_stock
from shop.costing.last_landed_cost import known_unit_costs
from shop.estimating.booked_demand import booked_use
from shop.models import in_shop_zone, the_shop
from shop.workload.job_counts import LATE_DAYS

A_YEAR = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class RestockInputs:
    """The facts of each van and consumable with what a draft keeps of them.

    `facts` by place and consumable, in the order of their codes; `depot_stock` is what the depot can still
    give, by consumable code; `unit_costs` and `classes` by consumable id.
    """

    facts: dict[PlaceConsumable, RestockFacts]
    depot_stock: dict[str, Decimal]
    unit_costs: dict[int, Decimal]
    classes: dict[int, str]


def gather(
    run: ForecastRun,
    vans: Sequence[Place],
    depot: Place,
    terms: StockingTerms,
    *,
    period: str,
    now: datetime,
    also: Collection[PlaceConsumable] = (),
) -> RestockInputs:
    """Read all that decides about `vans`; the number of queries does not depend on their number.

    It grows by 50 consumables with lots that expire soon. Stock that the depot has promised to others,
    approved or drafted for the same period, is not available, nor is expired stock.
    A pair has facts when something will be burnt or is booked, when the book says less than nothing, and when
    it is one of `also`.
    """
    consumables = {row.pk: row for row in Consumable.objects.all()}
    own = {row.pk: row for row in ConsumableTerms.objects.all()}
    holdings = _holdings([depot, *vans])
    on_the_way, promised = _under_way(vans, depot, period)
    classes = classes_now(terms, own, now)
    burn = _burn(run, vans, terms.interval_days)
    today = in_shop_zone(now, the_shop()).date()
    booked = _booked(terms, today, now)
    lots = _expiring_lots(today, terms.interval_days)
    at_depot = lots.get(depot.code, {})
    depot_expired = {
        code: sum((lot.quantity for lot in found if not lot.days), ZERO) for code, found in at_depot.items()
    }
    rooms = {(place, consumable): most for place, consumable, most in _spaces(vans)}
    levels = levels_of(run)
    nothing = (ZERO,) * len(levels)
    facts = {}
    for van in vans:
        for consumable in sorted(consumables.values(), key=lambda row: row.code):
            pair = van.pk, consumable.pk
            on_hand = holdings.get(pair, ZERO)
            quantiles = burn.get(pair, nothing)
            if not any(quantiles) and pair not in booked and on_hand >= 0 and pair not in also:
                continue
            special = own.get(consumable.pk)
            facts[pair] = RestockFacts(
                van=van.code,
                consumable=consumable.code,
                unit=consumable.stock_unit,
                on_hand=on_hand,
                on_the_way=on_the_way.get(pair, ZERO),
                levels=levels,
                quantiles=quantiles,
                service=service_of(classes[consumable.pk], special, terms),
                booked=booked.get(pair, NOTHING_BOOKED),
                usable_unit=special.usable_unit if special else ONE,
                room=rooms.get(pair),
                whole=consumable.comes_whole,
                lots=tuple(lots.get(van.code, {}).get(consumable.code, ())),
                depot_expired=depot_expired.get(consumable.code, ZERO),
            )
    depot_stock = {
        row.code: holdings.get((depot.pk, pk), ZERO)
        - promised.get(pk, ZERO)
        - depot_expired.get(row.code, ZERO)
        for pk, row in consumables.items()
    }
    known = known_unit_costs(consumables.values())
    unit_costs = {pk: rounded(known.get(pk, ZERO)) for pk in consumables}
    return RestockInputs(facts, depot_stock, unit_costs, classes)


def levels_of(run: ForecastRun) -> tuple[float, ...]:
    """Return the probabilities of the quantiles that a run stores."""
    return tuple(float(level) for level in run.levels)


def _holdings(places: Sequence[Place]) -> dict[PlaceConsumable, Decimal]:
    rows = Holding.objects.filter(place__in=places).values_list("place_id", "consumable_id", "quantity")
    return {(place, consumable): quantity for place, consumable, quantity in rows}


def _under_way(
    vans: Sequence[Place], depot: Place, period: str
) -> tuple[dict[PlaceConsumable, Decimal], dict[int, Decimal]]:
    """Return what is approved for or on its way to each van, and what the depot has yet to hand out.

    What did not arrive with a received restock is no longer on its way.
    """
    on_the_way: dict[PlaceConsumable, Decimal] = defaultdict(Decimal)
    promised: dict[int, Decimal] = defaultdict(Decimal)
    wanted = {van.pk for van in vans}
    open_ = (RestockStatus.DRAFT, RestockStatus.APPROVED, RestockStatus.UNDER_WAY)
    rows = RestockLine.objects.filter(restock__status__in=open_).order_by()
    for van, from_, of, status, consumable, suggested, changed_to, approved, picked in rows.values_list(
        "restock__van_id",
        "restock__depot_id",
        "restock__period",
        "restock__status",
        "consumable_id",
        "suggested",
        "changed_to",
        "approved",
        "picked",
    ):
        if status == RestockStatus.DRAFT:
            if of == period and from_ == depot.pk and van not in wanted:
                promised[consumable] += suggested if changed_to is None else changed_to
            continue
        if status == RestockStatus.APPROVED and from_ == depot.pk:
            promised[consumable] += approved or ZERO
        on_the_way[van, consumable] += (picked if status == RestockStatus.UNDER_WAY else approved) or ZERO
    return on_the_way, promised


def classes_now(terms: StockingTerms, own: Mapping[int, ConsumableTerms], now: datetime) -> dict[int, str]:
    """Return the class of each consumable, by its id, by the value that jobs took of it in a year."""
    into_jobs = MovementValue.objects.filter(
        movement__destination__kind=PlaceKind.JOB,
        movement__posted_at__gt=now - A_YEAR,
        movement__posted_at__lte=now,
        movement__document__corrected_by__isnull=True,
    ).order_by()
    used = dict(into_jobs.values_list("movement__consumable_id").annotate(total=Sum("value")))
    codes = dict(Consumable.objects.values_list("pk", "code"))
    by_code = service_classes(
        {code: max(used.get(pk, ZERO), ZERO) for pk, code in codes.items()},
        {codes[pk] for pk, row in own.items() if row.stops_a_job},
        terms.a_share,
        terms.b_share,
    )
    return {pk: by_code[code] for pk, code in codes.items()}


def service_of(of_class: str, special: ConsumableTerms | None, terms: StockingTerms) -> Decimal:
    """Return the service of a consumable: its own, or that of its class."""
    if special is not None and special.service is not None:
        return Decimal(special.service)
    services: dict[str, Decimal] = {
        STOPS_A_JOB: terms.service_stops_a_job,
        A: terms.service_a,
        B: terms.service_b,
        C: terms.service_c,
    }
    return services[of_class]


def _burn(
    run: ForecastRun, vans: Collection[Place], interval_days: int
) -> dict[PlaceConsumable, tuple[Decimal, ...]]:
    """Return the quantiles of each van's burn over the protection interval."""
    by_weeks: dict[PlaceConsumable, dict[int, tuple[Decimal, ...]]] = defaultdict(dict)
    rows = BurnForecast.objects.filter(run=run, place__in=vans).order_by()
    for place, consumable, weeks, quantiles in rows.values_list(
        "place_id", "consumable_id", "weeks_ahead", "quantiles"
    ):
        by_weeks[place, consumable][weeks] = tuple(Decimal(quantile) for quantile in quantiles)
    levels = levels_of(run)
    return {pair: over_days(found, levels, interval_days) for pair, found in by_weeks.items()}


def _expiring_lots(today: date, interval_days: int) -> dict[str, dict[str, list[ExpiringLot]]]:
    """Return the lots that expire within the interval, by place and consumable code."""
    found: dict[str, dict[str, list[ExpiringLot]]] = defaultdict(lambda: defaultdict(list))
    for row in expiring_stock.expiring(today + timedelta(days=interval_days)):
        found[row.place][row.consumable].append(ExpiringLot.on(row.expires_on, today, row.quantity))
    return found


def _booked(terms: StockingTerms, today: date, now: datetime) -> dict[PlaceConsumable, BookedUse]:
    found = booked_use(
        today - timedelta(days=LATE_DAYS),
        today + timedelta(days=terms.interval_days - 1),
        since=now - A_YEAR,
        until=now,
    )
    return {pair: BookedUse(use.jobs, rounded(use.mean), use.deviation) for pair, use in found.items()}


def _spaces(vans: Collection[Place]) -> list[tuple[int, int, Decimal]]:
    spaces = VanSpace.objects.filter(place__in=vans)
    return list(spaces.values_list("place_id", "consumable_id", "quantity"))
