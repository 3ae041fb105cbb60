"""The burn of a protection interval in days, from the burn of whole weeks ahead. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal, localcontext

from forecasting.stock_control.numeric_checks import require_positive, rounded
from inventory.decimals import PRECISION, ZERO
from inventory.weeks import DAYS_A_WEEK

Quantiles = tuple[Decimal, ...]


def over_days(by_weeks: Mapping[int, Sequence[Decimal]], levels: Sequence[float], days: int) -> Quantiles:
    """Return the quantiles of the burn over some days from now, one for each of `levels`, which rise.

    `by_weeks` are the quantiles over 1, 2, ... weeks ahead. Between them, and from nothing up to the first,
    the quantile nearest the median runs evenly in time, and the distance of the others from it with the root
    of time, as the spread of a sum of independent days does; beyond the last they go on in the same way.
    Rounded to 4 decimal places; never negative and never falling.

    Raises ValueError without any week, and for days that are not above 0.
    """
    require_positive("Protection interval", days, "give review period + lead time in days")
    if not by_weeks:
        raise ValueError("There is no week ahead to take the burn from; forecast at least one")
    middle = min(range(len(levels)), key=lambda index: abs(levels[index] - 0.5))
    with localcontext(prec=PRECISION):
        weeks = Decimal(days) / DAYS_A_WEEK
        before = max((ahead for ahead in by_weeks if ahead <= weeks), default=0)
        after = min((ahead for ahead in by_weeks if ahead >= weeks), default=None)
        early = tuple(by_weeks[before]) if before else (ZERO,) * len(levels)
        if before == after:
            return tuple(rounded(quantile) for quantile in early)
        if after is None:
            evenly, by_root = weeks / before, (weeks / before).sqrt()
            start, end = (ZERO,) * len(levels), early
        else:
            evenly = (weeks - before) / (after - before)
            root = Decimal(before).sqrt()
            by_root = (weeks.sqrt() - root) / (Decimal(after).sqrt() - root)
            start, end = early, tuple(by_weeks[after])
        median = start[middle] + evenly * (end[middle] - start[middle])
        spreads = [
            (1 - by_root) * (low - start[middle]) + by_root * (high - end[middle])
            for low, high in zip(start, end, strict=True)
        ]
        return _rising(median + spread for spread in spreads)


def _rising(quantiles: Iterable[Decimal]) -> Quantiles:
    found: list[Decimal] = []
    for quantile in quantiles:
        found.append(max(rounded(quantile), found[-1] if found else ZERO))
    return tuple(found)
