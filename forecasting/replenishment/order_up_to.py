"""What each van gets from the depot: an order-up-to level per consumable, and a short depot shared. Pure.

Quantities are Decimals in the consumable's stock unit. The burn of the protection interval (review period +
lead time) comes as quantiles at given probabilities; see `forecasting.stock_control.quantile_demand`.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal, localcontext
from statistics import NormalDist

from forecasting.replenishment.reasons import RestockReasons
from forecasting.stock_control.allocation import Claim, share
from forecasting.stock_control.numeric_checks import (
    require_finite,
    require_not_negative,
    require_positive,
    require_share,
    rounded,
)
from forecasting.stock_control.quantile_demand import masses, quantile_at
from forecasting.stock_control.review_policies import order_up_to, whole_packs
from forecasting.stock_control.safety_stock import normal_base_stock
from forecasting.stock_control.spoilage import ExpiringLot, unused
from inventory.decimals import ONE, PRECISION, ZERO

MEDIAN, HIGH = 0.5, 0.95


@dataclass(frozen=True, slots=True)
class BookedUse:
    """What a van's booked jobs of the interval take of a consumable: jobs, expected use, its deviation."""

    jobs: int = 0
    mean: Decimal = ZERO
    deviation: float = 0.0


NOTHING_BOOKED = BookedUse()


@dataclass(frozen=True, slots=True)
class RestockFacts:
    """What is known of one consumable at one van.

    `on_hand` is the book's, and may be negative; `on_the_way` is what the depot has promised or sent.
    `quantiles` are of the burn over the interval, one for each of `levels`, both rising. `whole` says that
    only whole stock units exist; `usable_unit` is what is handed out as one, `room` the most the van holds.
    `lots` are those on board that expire some day; `depot_expired` lies in the depot and is given to nobody.
    """

    van: str
    consumable: str
    unit: str
    on_hand: Decimal
    on_the_way: Decimal
    levels: tuple[float, ...]
    quantiles: tuple[Decimal, ...]
    service: Decimal
    booked: BookedUse = NOTHING_BOOKED
    usable_unit: Decimal = ONE
    room: Decimal | None = None
    whole: bool = True
    lots: tuple[ExpiringLot, ...] = ()
    depot_expired: Decimal = ZERO


@dataclass(frozen=True, slots=True)
class Decision:
    """What one van should get of one consumable, and why.

    `wanted` is what the van needs and has room for, `suggested` what the depot can give of it;
    `cover_days` how long the stock then lasts at the median burn, None when the median is 0.
    """

    median: Decimal
    high: Decimal
    order_up_to: Decimal
    wanted: Decimal
    suggested: Decimal
    cover_days: Decimal | None
    why: str


@dataclass(frozen=True, slots=True)
class _Need:
    facts: RestockFacts
    quantiles: tuple[Decimal, ...]
    level: Decimal
    expired: Decimal
    expiring: Decimal
    position: Decimal
    missing: Decimal
    wanted: Decimal


def decide(
    facts: Sequence[RestockFacts], depot_stock: Mapping[str, Decimal], interval_days: int
) -> list[Decision]:
    """Decide for all vans at once, in the order of `facts`; that order does not change what anybody gets.

    What has expired on a van, or will within the interval before it is used, counts as not there.
    `depot_stock` is what the depot can give of each consumable, by its code; negative counts as none. Where
    that is less than all vans want, it goes, one usable unit after the other, where it lowers the expected
    shortage most (`forecasting.stock_control.allocation`).

    Raises ValueError for an invalid amount or probability, a van that asks twice for a consumable,
    and one whose usable unit is not that of the other vans.
    """
    require_positive("Protection interval", interval_days, "give review period + lead time in days")
    needs = [_need(one, interval_days) for one in facts]
    given: dict[tuple[str, str], Decimal] = {}
    by_consumable: dict[str, list[_Need]] = defaultdict(list)
    for need in needs:
        by_consumable[need.facts.consumable].append(need)
    for consumable, asking in by_consumable.items():
        available = max(depot_stock.get(consumable, ZERO), ZERO)
        for van, quantity in _shared(available, asking).items():
            given[van, consumable] = quantity
    return [
        _decision(need, given[need.facts.van, need.facts.consumable], depot_stock, interval_days)
        for need in needs
    ]


def _aboard(facts: RestockFacts) -> Decimal:
    """A van cannot hold less than nothing: a negative book lacks a receipt or a count."""
    return max(facts.on_hand, ZERO)


def _need(facts: RestockFacts, interval_days: int) -> _Need:
    where = f"{facts.consumable} for {facts.van}:"
    require_share(f"{where} service", float(facts.service), "choose a share such as 0.95")
    require_positive(f"{where} usable unit", facts.usable_unit, "give 1 for single units")
    require_finite(f"{where} book stock", facts.on_hand, "rebuild the holdings")
    require_not_negative(f"{where} quantity on the way", facts.on_the_way, "correct the transfer")
    quantiles = tuple(
        max(quantile, _booked_at(level, facts))
        for level, quantile in zip(facts.levels, facts.quantiles, strict=True)
    )
    level = max(
        quantile_at(facts.levels, facts.quantiles, float(facts.service)),
        _booked_at(float(facts.service), facts),
    )
    if facts.whole:
        level = level.to_integral_value(ROUND_CEILING)
    expired, expiring = _spoilt(facts, interval_days)
    # What expires later than now still takes up room; what has expired is taken off.
    unspoilt = _aboard(facts) - expired + facts.on_the_way
    room = None if facts.room is None else max(facts.room - unspoilt, ZERO)
    position = unspoilt - expiring
    missing = order_up_to(position, level)
    wanted = whole_packs(missing, facts.usable_unit, most=room)
    return _Need(facts, quantiles, level, expired, expiring, position, missing, wanted)


def _spoilt(facts: RestockFacts, interval_days: int) -> tuple[Decimal, Decimal]:
    """What has expired on board, and what will within the interval before it is used at the median burn."""
    lots = [lot for lot in facts.lots if lot.days < interval_days]
    expired = sum((lot.quantity for lot in lots if not lot.days), ZERO)
    with localcontext(prec=PRECISION):
        burn = max(quantile_at(facts.levels, facts.quantiles, MEDIAN), facts.booked.mean)
        spoilt = unused(lots, burn / interval_days)
    if facts.whole:
        spoilt = spoilt.to_integral_value(ROUND_CEILING)
    aboard = _aboard(facts)
    return min(expired, aboard), max(min(spoilt, aboard) - expired, ZERO)


def _booked_at(level: float, facts: RestockFacts) -> Decimal:
    """What the booked jobs take with a probability of `level`, at least nothing.

    Many jobs' use together is nearly normal; the deviation is that of single jobs of the same kinds.
    """
    if not facts.booked.jobs:
        return ZERO
    demand = NormalDist(float(facts.booked.mean), facts.booked.deviation)
    return max(normal_base_stock(level, demand), ZERO)


def _shared(available: Decimal, asking: Sequence[_Need]) -> dict[str, Decimal]:
    """What each van gets: all it wants, or its share when the depot is short."""
    units = {need.facts.usable_unit for need in asking}
    if len(units) > 1:
        consumable = asking[0].facts.consumable
        raise ValueError(f"{consumable}: usable units {sorted(units)} differ between vans; give one for all")
    unit = units.pop()
    if len({need.facts.van for need in asking}) < len(asking):
        raise ValueError(f"{asking[0].facts.consumable}: a van asks twice; give it one line")
    if sum((need.wanted for need in asking), ZERO) <= available:
        return {need.facts.van: need.wanted for need in asking}
    claims = [
        Claim(
            need.facts.van,
            int(need.position // unit),
            int(need.wanted // unit),
            masses(need.facts.levels, need.quantiles, unit),
        )
        for need in asking
        if need.wanted
    ]
    shares = share(int(available // unit), claims)
    return {need.facts.van: shares.get(need.facts.van, 0) * unit for need in asking}


def _decision(
    need: _Need, suggested: Decimal, depot_stock: Mapping[str, Decimal], interval_days: int
) -> Decision:
    facts = need.facts
    median = quantile_at(facts.levels, facts.quantiles, MEDIAN)
    lasting = (need.position + suggested) * interval_days
    reasons = RestockReasons(
        unit=facts.unit,
        interval_days=interval_days,
        service=facts.service,
        level=need.level,
        booked_jobs=facts.booked.jobs,
        booked_decides=_booked_at(float(facts.service), facts)
        > quantile_at(facts.levels, facts.quantiles, float(facts.service)),
        on_hand=facts.on_hand,
        expired=need.expired,
        expiring=need.expiring,
        on_the_way=facts.on_the_way,
        missing=need.missing,
        usable_unit=facts.usable_unit,
        room=facts.room,
        wanted=need.wanted,
        depot=depot_stock.get(facts.consumable, ZERO),
        depot_expired=facts.depot_expired,
        suggested=suggested,
    )
    return Decision(
        median=rounded(median),
        high=rounded(quantile_at(facts.levels, facts.quantiles, HIGH)),
        order_up_to=rounded(need.level),
        wanted=need.wanted,
        suggested=suggested,
        cover_days=rounded(lasting / median) if median > 0 else None,
        why=reasons.sentence(),
    )
