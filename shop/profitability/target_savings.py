"""How a kind of job stands against the target margin, and how much less it would have to cost. Pure.

Each saving is given by itself, all else unchanged; the price that reaches the target is the other way, see
shop.profitability.finished_price.
"""

from dataclasses import dataclass
from decimal import Decimal, localcontext
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
class TargetSavings:
    """How a kind of job stands, and the savings that reach the target margin.

    `shortfall` is the money that the kind is short of the target at its present revenue, 0 when on target.
    `consumption_cut` and `other_cut` are the share of materials and wear, or of labour, travel and overhead,
    to be saved; None when saving all of it is not enough, or there is none.
    """

    verdict: Verdict
    few_jobs: bool
    shortfall: Decimal
    consumption_cut: Decimal | None
    other_cut: Decimal | None


def savings_to_target(kind: JobKind, target_percent: Decimal) -> TargetSavings:
    """Return what savings bring a kind of job to a target margin in percent of revenue.

    With costs C, revenue R and target share t, the target is reached when C = (1 - t) R. Raises ValueError
    for a target outside 0 to 100.
    """
    if not 0 <= target_percent <= HUNDRED:
        raise ValueError(f"a target of {target_percent}% is not from 0 to 100")
    with localcontext(prec=PRECISION):
        shortfall = max(kind.costs - (1 - target_percent / HUNDRED) * kind.revenue, ZERO)
        return TargetSavings(
            verdict=_verdict(kind, float(target_percent / HUNDRED), reached=not shortfall),
            few_jobs=kind.jobs < FEW_JOBS,
            shortfall=shortfall,
            consumption_cut=_cut(shortfall, kind.consumption),
            other_cut=_cut(shortfall, kind.other_costs),
        )


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
