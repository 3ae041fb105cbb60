"""The change of a margin ratio between two periods, with its interval. Pure.

The two periods have different jobs, so their ratios vary independently, and the interval of the difference
follows from the two intervals (Zou and Donner 2008, Statistics in Medicine 27: 1693-1702 [from memory]; for
two proportions it is method 10 of Newcombe 1998, the check in tests/published).
"""

from dataclasses import dataclass
from math import hypot

from shop.profitability.ratio_intervals import FEW_JOBS, MarginRatio


@dataclass(frozen=True, slots=True)
class RatioChange:
    """A ratio less the one before; None where there is none, and `note` says why or how far to trust it."""

    change: float | None
    low: float | None = None
    high: float | None = None
    note: str = ""

    @property
    def is_clear(self) -> bool:
        """Whether the interval leaves no doubt about the direction."""
        return self.low is not None and self.high is not None and (self.low > 0 or self.high < 0)


def ratio_change(now: MarginRatio, before: MarginRatio) -> RatioChange:
    """Return the change from `before` to `now`.

    With d the difference, l and u the ends of each interval: d - hypot(r1 - l1, u2 - r2) to
    d + hypot(u1 - r1, r2 - l2).
    """
    if now.ratio is None or before.ratio is None:
        which = "in this period" if now.ratio is None else "before"
        return RatioChange(None, note=f"no revenue {which}")
    change = now.ratio - before.ratio
    if now.low is None or now.high is None or before.low is None or before.high is None:
        which = "this period" if now.low is None or now.high is None else "the period before"
        return RatioChange(change, note=f"no interval: too few jobs, or all alike, in {which}")
    few = min(now.jobs, before.jobs) < FEW_JOBS
    return RatioChange(
        change,
        change - hypot(now.ratio - now.low, before.high - before.ratio),
        change + hypot(now.high - now.ratio, before.ratio - before.low),
        f"fewer than {FEW_JOBS} jobs in one of the periods: the interval is rather too narrow" if few else "",
    )
