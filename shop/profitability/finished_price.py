"""Which price of finished jobs reaches the target margin, when they alone bring money in. Pure.

A finished job is one whose damage was removed or reduced, and no callback. It has to carry what failed
tries and callbacks of its kind cost beyond the little that they pay. With costs C of all jobs of the kind,
revenue U of those not finished, F finished jobs and target share t, the price p of a finished job solves

    F p + U = C / (1 - t),    so    p = (C / (1 - t) - U) / F.

At t = 0 nothing is lost. The price is a ratio of sums over jobs, so that its interval is the one of such a
ratio: see shop.profitability.ratio_intervals.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal, localcontext

from inventory.decimals import HUNDRED, PRECISION, ZERO
from shop.profitability.ratio_intervals import margin_ratio


@dataclass(frozen=True, slots=True)
class JobSums:
    """Sums of one job, or of some jobs that are resampled together, in money; `finished` counts jobs."""

    jobs: int
    finished: int
    failed: int
    finished_revenue: Decimal
    other_revenue: Decimal
    costs: Decimal


@dataclass(frozen=True, slots=True)
class FinishedPrice:
    """What finished jobs of a kind are paid and would have to be, in money per job.

    `now` is their mean price. Prices to be asked are in whole minor units, rounded up and never negative;
    None where no price does it: without a finished job, or at a target of 100%. `low` to `high` is the 95%
    interval of the price for the target, None with too few jobs.
    """

    jobs: int
    finished: int
    failed: int
    now: Decimal | None
    no_loss: Decimal | None
    for_target: Decimal | None
    low: Decimal | None
    high: Decimal | None

    @property
    def failed_share(self) -> float | None:
        """Share of all jobs, callbacks among them, that were tried in vain; None without jobs."""
        return self.failed / self.jobs if self.jobs > 0 else None


def finished_price(parts: Sequence[JobSums], target_percent: Decimal, minor_unit: Decimal) -> FinishedPrice:
    """Return the price of finished jobs that leaves a target margin, in percent of all revenue of the kind.

    `parts` are the jobs of the kind, each once, in any order. Raises ValueError for a target outside 0 to
    100.
    """
    if not 0 <= target_percent <= HUNDRED:
        raise ValueError(f"a target of {target_percent}% is not from 0 to 100")
    kept = 1 - target_percent / HUNDRED
    finished = sum(part.finished for part in parts)
    revenue = sum((part.finished_revenue for part in parts), ZERO)
    counts = {name: sum(getattr(part, name) for part in parts) for name in ("jobs", "failed")}
    if finished <= 0:
        return FinishedPrice(
            **counts, finished=finished, now=None, no_loss=None, for_target=None, low=None, high=None
        )
    with localcontext(prec=PRECISION):
        low, high = _interval(parts, kept) if kept else (None, None)
        return FinishedPrice(
            **counts,
            finished=finished,
            now=(revenue / finished).quantize(minor_unit),
            no_loss=_asked(_needed(parts, Decimal(1)) / finished, minor_unit),
            for_target=_asked(_needed(parts, kept) / finished, minor_unit) if kept else None,
            low=None if low is None else _asked(low, minor_unit),
            high=None if high is None else _asked(high, minor_unit),
        )


def _needed(parts: Sequence[JobSums], kept: Decimal) -> Decimal:
    """Return what finished jobs have to bring in: C / kept - U."""
    return sum((part.costs for part in parts), ZERO) / kept - sum(
        (part.other_revenue for part in parts), ZERO
    )


def _interval(parts: Sequence[JobSums], kept: Decimal) -> tuple[Decimal | None, Decimal | None]:
    # A resample without a finished job has no price high enough: the ratio is negated, as an unknown one
    # counts as lowest there.
    needed = [-_needed([part], kept) for part in parts]
    found = margin_ratio(needed, [part.finished for part in parts])
    if found.low is None or found.high is None:
        return None, None
    return Decimal(-found.high), Decimal(-found.low)


def _asked(price: Decimal, minor_unit: Decimal) -> Decimal:
    return max(price, ZERO).quantize(minor_unit, rounding=ROUND_CEILING)
