"""Margin of groups of jobs, with how sure it is: one query whatever the history."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any, overload

from django.db.models import Expression, F, OuterRef, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce, TruncMonth

from shop.costing.formulas import AMOUNTS, NO_COSTS, JobCosts
from shop.costing.posted_costs import NOTHING, posted_costs
from shop.models import JobCost, start_of_day, the_shop
from shop.profitability.ratio_intervals import RatioSums, margin_ratio, ratio_sums, shrunk_ratios

# Beyond this, jobs are put into random groups before they are resampled: see margin_report.
MOST_SINGLE_JOBS = 20_000
RANDOM_GROUPS = 1000
PATHS = {
    "job": "reference",
    "job_type": "job_type__code",
    "damage_type": "damage_type__code",
    "glass": "glass__code",
    "technician": "technician__code",
    "van": "van__place__code",
    "customer": "site__customer__code",
}
# What the job itself knows; all else is as its close said when it posted.
OF_THE_JOB = ("job", "customer")
GROUPINGS = (*PATHS, "month")
NO_LABEL = "(none)"


@dataclass(frozen=True, slots=True)
class GroupMargin:
    """What a group of jobs earned and cost, in money; its margin ratio with a 95% interval.

    `shrunk` is the ratio pulled towards that of all groups, the more the fewer jobs it has. `note` says why
    there is no interval, or how far to trust it.
    """

    label: str
    jobs: int
    revenue: Decimal
    materials: Decimal
    wear: Decimal
    labour: Decimal
    travel: Decimal
    overhead: Decimal
    contribution: Decimal
    margin: Decimal
    ratio: float | None
    low: float | None
    high: float | None
    shrunk: float | None
    note: str


@dataclass(slots=True)
class _Group:
    """A group as it is read: its sums, and the pairs of margin and revenue to resample."""

    jobs: int
    costs: JobCosts
    margins: list[Decimal]
    revenues: list[Decimal]

    @property
    def sums(self) -> RatioSums:
        """The sums that shrinkage needs, by job: random groups add up jobs, and their spread with them."""
        if len(self.margins) == 1 and self.jobs <= 1:
            # Most customers come once; nothing is left to add up.
            m, r = float(self.margins[0]), float(self.revenues[0])
            return RatioSums(1, m, r, m * m, m * r, r * r)
        sums = ratio_sums(self.margins, self.revenues)
        return replace(sums, jobs=max(sums.jobs, self.jobs))


class Margins(Sequence[GroupMargin]):
    """The margins of groups in some order; a group's interval is computed when the group is asked for."""

    def __init__(self, groups: dict[Any, _Group]) -> None:
        shrunk = shrunk_ratios([group.sums for group in groups.values()])
        self._groups = [
            (label, group, pulled) for (label, group), pulled in zip(groups.items(), shrunk, strict=True)
        ]

    def __len__(self) -> int:
        return len(self._groups)

    @overload
    def __getitem__(self, index: int) -> GroupMargin: ...

    @overload
    def __getitem__(self, index: slice) -> list[GroupMargin]: ...

    def __getitem__(self, index: int | slice) -> GroupMargin | list[GroupMargin]:
        if isinstance(index, slice):
            return [_margin(*entry) for entry in self._groups[index]]
        return _margin(*self._groups[index])

    def sort(self, key: Callable[[JobCosts, int], Any], *, descending: bool = False) -> None:
        """Put the groups in the order of a figure of their sums and number of jobs; equal ones stay."""
        self._groups.sort(key=lambda entry: key(entry[1].costs, entry[1].jobs), reverse=descending)

    def select(self, labels: Iterable[str]) -> dict[str, GroupMargin]:
        """Return the margins of the groups of these labels, by label, where they exist."""
        wanted = set(labels)
        return {
            found.label: found
            for entry in self._groups
            if label_text(entry[0]) in wanted
            for found in [_margin(*entry)]
        }

    def sums(self) -> Iterator[tuple[str, int, JobCosts]]:
        """Yield the label, the number of jobs and the sums of each group, without its interval."""
        for label, group, _ in self._groups:
            yield label_text(label), group.jobs, group.costs

    def total(self) -> GroupMargin:
        """Return the margin of all groups together, its interval over all their jobs."""
        whole = _Group(0, NO_COSTS, [], [])
        for _, group, _ in self._groups:
            whole.jobs += group.jobs
            whole.costs += group.costs
            whole.margins += group.margins
            whole.revenues += group.revenues
        return _margin("all", whole, whole.sums.ratio)


def margin_report(
    by: str, start: date | None = None, end: date | None = None, *, lifetime: bool = False
) -> list[GroupMargin]:
    """Return the margin of each group of jobs that posted from `start` to `end`; see margins_of."""
    return list(margins_of(by, start, end, lifetime=lifetime))


def margins_of(
    by: str, start: date | None = None, end: date | None = None, *, lifetime: bool = False
) -> Margins:
    """Return the margin of each group of jobs that posted from `start` to `end`, ordered by label.

    `by` is one of GROUPINGS. With `lifetime`, the cost of callbacks counts in the group of the job they
    repeat, as that job stands now; by month in the month its close posted to. The interval resamples jobs; of
    more than 20,000 it resamples 1,000 groups made by job number (the random groups method: Wolter 2007,
    Introduction to Variance Estimation, ch. 2 [from memory]), so that the database does the adding up.

    Raises ValueError for an unknown grouping.
    """
    if by not in GROUPINGS:
        raise ValueError(f"{by!r} is not one of {', '.join(GROUPINGS)}")
    costs = posted_costs(start, end)
    rows = (
        costs.annotate(label=group_label(by, lifetime=lifetime), unit=unit_to_resample(costs))
        .values("label", "unit")
        .annotate(counted=Sum("jobs"), **{f"total_{name}": Sum(name) for name in AMOUNTS})
        .exclude(NOTHING)
        .order_by(F("label").asc(nulls_first=True), "unit")
        .values_list("label", "counted", *(f"total_{name}" for name in AMOUNTS))
    )
    groups: dict[Any, _Group] = {}
    for label, counted, *amounts in rows.iterator():
        unit_costs = JobCosts(*amounts)
        group = groups.get(label)
        if group is None:
            groups[label] = _Group(counted, unit_costs, [unit_costs.margin], [unit_costs.revenue])
            continue
        group.jobs += counted
        group.costs += unit_costs
        group.margins.append(unit_costs.margin)
        group.revenues.append(unit_costs.revenue)
    return Margins(groups)


def unit_to_resample(costs: QuerySet[JobCost]) -> Any:
    """Return what is resampled: each job, or, of more than 20,000, a random group of jobs. One query."""
    jobs = costs.aggregate(jobs=Sum("jobs"))["jobs"] or 0
    return F("job_id") if jobs <= MOST_SINGLE_JOBS else F("job_id") % RANDOM_GROUPS


def in_group(costs: QuerySet[JobCost], by: str, label: str, *, lifetime: bool = False) -> QuerySet[JobCost]:
    """Return those of `costs` that margins_of puts in the group of a label, NO_LABEL meaning none.

    Raises ValueError for an unknown grouping, and for a month that is not written as 2026-03.
    """
    if by not in GROUPINGS:
        raise ValueError(f"{by!r} is not one of {', '.join(GROUPINGS)}")
    wanted: Any = label
    if by == "month" and label != NO_LABEL:
        wanted = start_of_day(date.fromisoformat(f"{label}-01"))
    labelled = costs.annotate(label=group_label(by, lifetime=lifetime))
    return labelled.filter(label__isnull=True) if label == NO_LABEL else labelled.filter(label=wanted)


def group_label(by: str, *, lifetime: bool) -> Any:
    """Return the expression by which costs are grouped; `by` is one of GROUPINGS."""
    if by == "month":
        posted_at: Any = F("posted_at")
        if lifetime:
            closes = JobCost.objects.filter(job=OuterRef("job__original"), jobs=1).order_by("-document")
            posted_at = Coalesce(Subquery(closes.values("posted_at")[:1]), posted_at)
        return TruncMonth(posted_at, tzinfo=the_shop().zone)
    path = PATHS[by]
    own = f"job__{path}" if by in OF_THE_JOB else path
    if not lifetime:
        return F(own)
    # A callback whose original has no value of its own (no customer, say) stays with its own.
    label: Expression = Coalesce(f"job__original__{path}", own)
    return label


def label_text(label: Any) -> str:
    """Return a group's label as reports show it."""
    return f"{label:%Y-%m}" if isinstance(label, datetime) else label or NO_LABEL


def _margin(label: Any, group: _Group, shrunk: float | None) -> GroupMargin:
    costs = group.costs
    interval = margin_ratio(group.margins, group.revenues)
    return GroupMargin(
        label=label_text(label),
        jobs=group.jobs,
        **{amount: getattr(costs, amount) for amount in (*AMOUNTS, "contribution", "margin")},
        ratio=interval.ratio,
        low=interval.low,
        high=interval.high,
        shrunk=shrunk,
        note=interval.note,
    )
