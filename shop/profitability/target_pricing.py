"""What brings a loss-making kind of job to the target margin: another price, or a saving. Pure.

With costs C, revenue R and target share t, the target is reached when R = C / (1 - t), or when C = (1 - t) R.
A price changes revenue only, a saving costs only. Each is given by itself, with the other unchanged.
"""

from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal, localcontext
from enum import StrEnum

from inventory.decimals import HUNDRED, PRECISION, ZERO
from shop.profitability.ratio_intervals import FEW_JOBS


class Verdict(StrEnum):
    """How a kind of job stands against the target, given its interval."""

    LOSES = "loses money"
    MAY_LOSE = "loses money so far; other jobs of the kind may not"
    BELOW = "earns less than the target"
    MAY_REACH = "below the target so far; within its interval"
    ON_TARGET = "reaches the target"


@dataclass(frozen=True, slots=True)
class JobKind:
    """The sums of a kind of job, in money, and the 95% interval of its margin ratio where there is one."""

    jobs: int
    revenue: Decimal
    consumption: Decimal
    other_costs: Decimal
    low: float | None = None
    high: float | None = None

    @property
    def costs(self) -> Decimal:
        return self.consumption + self.other_costs

    @property
    def margin(self) -> Decimal:
        return self.revenue - self.costs


@dataclass(frozen=True, slots=True)
class TargetPricing:
    """The price, and the savings, that reach the target margin.

    `price` is the mean price of a job that does, in whole minor units rounded up; `price_rise` the share by
    which prices rise, its interval from `rise_low` to `rise_high` (never under 0). `consumption_cut` and
    `other_cut` are the share of materials and wear, or of labour, travel and overhead, to be saved; None when
    saving all of it is not enough, or there is none.
    """

    verdict: Verdict
    few_jobs: bool
    mean_price: Decimal | None
    price: Decimal | None
    price_rise: float | None
    rise_low: float | None
    rise_high: float | None
    shortfall: Decimal
    consumption_cut: Decimal | None
    other_cut: Decimal | None


def price_to_target(kind: JobKind, target_percent: Decimal, minor_unit: Decimal) -> TargetPricing:
    """Return what brings a kind of job to a target margin in percent of revenue.

    `shortfall` is the money that the kind is short of the target at its present revenue, 0 when on target.
    A target of 100% has no price: the price is None. Raises ValueError for a target outside 0 to 100.
    """
    if not 0 <= target_percent <= HUNDRED:
        raise ValueError(f"a target of {target_percent}% is not from 0 to 100")
    with localcontext(prec=PRECISION):
        kept = 1 - target_percent / HUNDRED
        shortfall = max(kind.costs - kept * kind.revenue, ZERO)
        price = _price(kind, kept, minor_unit)
        return TargetPricing(
            verdict=_verdict(kind, float(target_percent / HUNDRED), reached=not shortfall),
            few_jobs=kind.jobs < FEW_JOBS,
            mean_price=kind.revenue / kind.jobs if kind.jobs > 0 else None,
            price=price,
            price_rise=_rise(float(kind.margin / kind.revenue), kept) if kind.revenue > 0 else None,
            rise_low=_rise(kind.high, kept),
            rise_high=_rise(kind.low, kept),
            shortfall=shortfall,
            consumption_cut=_cut(shortfall, kind.consumption),
            other_cut=_cut(shortfall, kind.other_costs),
        )


def _price(kind: JobKind, kept: Decimal, minor_unit: Decimal) -> Decimal | None:
    if kind.jobs <= 0 or kept == 0:
        return None
    needed = kind.costs / kept / kind.jobs
    return (needed / minor_unit).to_integral_value(rounding=ROUND_CEILING) * minor_unit


def _rise(ratio: float | None, kept: Decimal) -> float | None:
    """Return by which share prices must rise when the margin ratio is `ratio`: (1 - ratio) / (1 - t) - 1."""
    if ratio is None or kept == 0:
        return None
    return max((1 - ratio) / float(kept) - 1, 0.0)


def _cut(shortfall: Decimal, cost: Decimal) -> Decimal | None:
    if not shortfall:
        return ZERO
    return None if cost < shortfall else shortfall / cost


def _verdict(kind: JobKind, target: float, *, reached: bool) -> Verdict:
    if reached:
        return Verdict.ON_TARGET
    if kind.margin < 0:
        return Verdict.MAY_LOSE if kind.high is not None and kind.high >= 0 else Verdict.LOSES
    return Verdict.MAY_REACH if kind.high is not None and kind.high >= target else Verdict.BELOW
