"""Where a margin ratio, its interval and the target lie on the bar beside it."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor

from shop.profitability.margins import GroupMargin

BAR_WIDTH = 100.0


@dataclass(frozen=True, slots=True)
class Bar:
    """The scale of the interval bars, from a lowest to a highest margin ratio."""

    low: float
    high: float

    def position(self, ratio: float) -> float:
        """Return where a ratio lies, in hundredths of the width; what is beyond an end lies at that end."""
        within = min(max(ratio, self.low), self.high)
        return round(BAR_WIDTH * (within - self.low) / (self.high - self.low), 2)


@dataclass(frozen=True, slots=True)
class MarginRow:
    """A group's margin with its place on the bar."""

    group: GroupMargin
    start: float | None
    width: float | None
    point: float | None


def bar_for(groups: Iterable[GroupMargin], target: float) -> Bar:
    """Return a bar on which zero, the target and all ratios and intervals fit, as far as -100% to 100%."""
    shown = [ratio for group in groups for ratio in (group.low, group.ratio, group.high) if ratio is not None]
    low, high = min(0.0, *shown, target), max(0.1, *shown, target)
    return Bar(max(floor(low * 10) / 10, -1.0), min(ceil(high * 10) / 10, 1.0))


def margin_row(group: GroupMargin, bar: Bar) -> MarginRow:
    """Return a group with its place on a bar."""
    start = None if group.low is None else bar.position(group.low)
    return MarginRow(
        group=group,
        start=start,
        width=None if start is None or group.high is None else max(bar.position(group.high) - start, 1.0),
        point=None if group.ratio is None else bar.position(group.ratio),
    )
