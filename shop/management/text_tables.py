"""Reports as plain text tables for a terminal."""

from collections.abc import Sequence
from decimal import Decimal

from inventory.decimals import ZERO
from shop.costing.standard_costs import LabourLine, MaterialLine
from shop.costing.variances import direction
from shop.profitability.margins import GroupMargin

HOW_TO_READ = (
    "  The interval is that of the margin as a share of revenue: what other jobs of the same kind would\n"
    "  have given. Shrunk is that share pulled towards the mean of all, the more the fewer jobs there are.\n"
)


def table(title: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a titled table; the first column is text, the others are numbers set to the right."""
    if not rows:
        return f"{title}\n  (nothing yet)\n"
    widths = [max(len(row[i]) for row in (header, *rows)) for i in range(len(header))]
    lines = [
        "  ".join(
            cell.ljust(width) if not i else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in (header, ["-" * width for width in widths], *rows)
    ]
    return "\n".join([title, *(f"  {line}" for line in lines), ""])


def money(amount: Decimal) -> str:
    """Return an amount to two places with thousands apart."""
    return f"{amount:,.2f}"


def percent(ratio: float | None) -> str:
    """Return a ratio as a whole percentage; a dash when there is none."""
    return "-" if ratio is None else f"{ratio:.0%}"


def interval(low: float | None, high: float | None) -> str:
    """Return an interval of ratios as percentages."""
    return "-" if low is None or high is None else f"{low:.0%} to {high:.0%}"


def margins(by: str, groups: Sequence[GroupMargin]) -> str:
    """Return the margins of groups as a table with a total, and how to read it."""
    rows = [
        [
            *_sums(group.label, [group]),
            percent(group.ratio),
            interval(group.low, group.high),
            percent(group.shrunk),
        ]
        for group in groups
    ]
    if len(groups) > 1:
        revenue = sum(group.revenue for group in groups)
        margin = sum(group.margin for group in groups)
        rows.append([*_sums("all", groups), percent(float(margin / revenue) if revenue else None), "", ""])
    header = (
        by.replace("_", " "),
        "jobs",
        "revenue",
        "materials, wear",
        "labour, travel",
        "contribution",
        "overhead",
        "margin",
        "of revenue",
        "95% interval",
        "shrunk",
    )
    return table(f"Margin by {by.replace('_', ' ')}", header, rows) + HOW_TO_READ


def _sums(label: str, groups: Sequence[GroupMargin]) -> list[str]:
    return [
        label,
        f"{sum(group.jobs for group in groups):,}",
        money(sum((group.revenue for group in groups), ZERO)),
        money(sum((group.materials + group.wear for group in groups), ZERO)),
        money(sum((group.labour + group.travel for group in groups), ZERO)),
        money(sum((group.contribution for group in groups), ZERO)),
        money(sum((group.overhead for group in groups), ZERO)),
        money(sum((group.margin for group in groups), ZERO)),
    ]


def _variance(amount: Decimal) -> str:
    return f"{money(abs(amount))} {direction(amount)[0].upper()}" if amount else "-"


def materials(lines: Sequence[MaterialLine]) -> str:
    """Return the material variances as a table; F is favourable, U unfavourable."""
    rows = [
        [
            f"{line.job_type}, {line.consumable}",
            f"{line.jobs:,}",
            f"{line.actual_quantity:,.1f}",
            f"{line.standard_quantity:,.1f}",
            money(line.actual_cost),
            _variance(line.variances.price) if line.variances else "no standard",
            _variance(line.variances.quantity) if line.variances else "no standard",
        ]
        for line in lines
    ]
    header = (
        "job type, consumable",
        "jobs",
        "used",
        "standard",
        "cost",
        "price variance",
        "quantity variance",
    )
    return table("Materials: standard against actual (F favourable, U unfavourable)", header, rows)


def labour(lines: Sequence[LabourLine]) -> str:
    """Return the labour variances as a table; F is favourable, U unfavourable."""
    rows = [
        [
            line.job_type,
            f"{line.jobs:,}",
            f"{line.actual_minutes:,.0f}",
            f"{line.standard_minutes:,.0f}",
            money(line.actual_cost),
            _variance(line.variances.rate) if line.variances else "no rate",
            _variance(line.variances.efficiency) if line.variances else "no rate",
        ]
        for line in lines
    ]
    header = ("job type", "jobs", "minutes", "standard", "cost", "rate variance", "efficiency variance")
    return table("Labour: standard against actual (F favourable, U unfavourable)", header, rows)
