"""How margins changed between two periods, group by group: money exactly, the ratio with its interval."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import overload

from shop.costing.formulas import NO_COSTS, JobCosts
from shop.profitability.margins import GroupMargin, Margins
from shop.profitability.ratio_difference import RatioChange, ratio_change
from shop.profitability.ratio_intervals import MarginRatio


@dataclass(frozen=True, slots=True)
class MarginChange:
    """A group in a period and in the one before; the total of all has an empty label."""

    label: str
    jobs: int
    jobs_before: int
    costs: JobCosts
    costs_before: JobCosts
    ratio_now: float | None
    ratio_before: float | None
    ratio: RatioChange

    @property
    def is_total(self) -> bool:
        """Whether it is all groups together."""
        return not self.label

    @property
    def margin(self) -> Decimal:
        return self.costs.margin

    @property
    def margin_before(self) -> Decimal:
        return self.costs_before.margin

    @property
    def margin_change(self) -> Decimal:
        return self.margin - self.margin_before

    @property
    def from_revenue(self) -> Decimal:
        """The part of the change that revenue made."""
        return self.costs.revenue - self.costs_before.revenue

    @property
    def from_costs(self) -> Decimal:
        """The part that costs made; negative when they rose."""
        return self.margin_change - self.from_revenue


class Moves(Sequence[MarginChange]):
    """The groups of either period, the largest change of margin first; intervals come as asked for."""

    def __init__(self, now: Margins, before: Margins) -> None:
        self._now, self._before = now, before
        sums = {label: (jobs, costs) for label, jobs, costs in now.sums()}
        sums_before = {label: (jobs, costs) for label, jobs, costs in before.sums()}
        nothing = (0, NO_COSTS)
        self._sums = {
            label: (sums.get(label, nothing), sums_before.get(label, nothing)) for label in sums | sums_before
        }
        self._labels = sorted(self._sums, key=lambda label: (-abs(self._change(label)), label))

    def _change(self, label: str) -> Decimal:
        (_, now), (_, before) = self._sums[label]
        return now.margin - before.margin

    def __len__(self) -> int:
        return len(self._labels)

    @overload
    def __getitem__(self, index: int) -> MarginChange: ...

    @overload
    def __getitem__(self, index: slice) -> list[MarginChange]: ...

    def __getitem__(self, index: int | slice) -> MarginChange | list[MarginChange]:
        if not isinstance(index, slice):
            return self[index : index + 1 or None][0]
        labels = self._labels[index]
        now, before = self._now.select(labels), self._before.select(labels)
        return [self._move(label, now.get(label), before.get(label)) for label in labels]

    def total(self) -> MarginChange:
        """Return all groups together."""
        now, before = self._now.total(), self._before.total()
        return MarginChange(
            label="",
            jobs=now.jobs,
            jobs_before=before.jobs,
            costs=sum((sums[1] for sums, _ in self._sums.values()), NO_COSTS),
            costs_before=sum((sums[1] for _, sums in self._sums.values()), NO_COSTS),
            ratio_now=now.ratio,
            ratio_before=before.ratio,
            ratio=_ratio_change(now, before),
        )

    def _move(self, label: str, now: GroupMargin | None, before: GroupMargin | None) -> MarginChange:
        (jobs, costs), (jobs_before, costs_before) = self._sums[label]
        return MarginChange(
            label,
            jobs,
            jobs_before,
            costs,
            costs_before,
            now.ratio if now else None,
            before.ratio if before else None,
            _ratio_change(now, before),
        )


def moves(now: Margins, before: Margins) -> Moves:
    """Return the changes from one period to the next, both grouped the same way."""
    return Moves(now, before)


def _ratio_change(now: GroupMargin | None, before: GroupMargin | None) -> RatioChange:
    return ratio_change(_interval(now), _interval(before))


def _interval(group: GroupMargin | None) -> MarginRatio:
    if group is None:
        return MarginRatio(0, None)
    return MarginRatio(group.jobs, group.ratio, group.low, group.high)
