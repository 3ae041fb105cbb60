"""The chart of what a van held of a consumable, and in which weeks it ran out."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

from matplotlib.axes import Axes

from forecasting.policy_review.queries import ReviewRow
from shop.common.text import counted, exact
from shop.web.charts import Colours, Draw

TICKS = 5
# A level that only ever was 0 still gets an axis.
LEAST_TOP = 1.0


def held_chart(row: ReviewRow, steps: Sequence[tuple[datetime, Decimal]], starts: Sequence[datetime]) -> Draw:
    """Return the drawing of the stock by the book between `starts`, weeks in which it ran out shaded."""

    def draw(axes: Axes, colours: Colours) -> None:
        hours = [(at - starts[0]).total_seconds() / 3600 for at in starts]
        shaded = False
        for week, left, right in zip(row.weeks, hours[:-1], hours[1:], strict=True):
            if week.ran_out:
                label = None if shaded else "ran out"
                axes.axvspan(left, right, color=colours.bands[0], linewidth=0, antialiased=False, label=label)
                shaded = True
        times = [(at - starts[0]).total_seconds() / 3600 for at, _ in steps] + [hours[-1]]
        held = [float(quantity) for _, quantity in steps]
        axes.step(times, [*held, held[-1]], where="post", color=colours.accent, linewidth=1.5, label="held")
        axes.axhline(0, color=colours.soft, linewidth=1)
        axes.set_xlim(0, hours[-1])
        axes.set_ylim(min(0.0, *held) * 1.1, max(LEAST_TOP, *held) * 1.1)
        every = max(len(row.weeks) // TICKS, 1)
        axes.set_xticks(
            hours[:-1:every], [week.period for week in row.weeks[::every]], rotation=30, ha="right"
        )
        axes.set_ylabel(row.consumable.stock_unit)
        axes.legend(frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=2)

    return draw


def chart_description(row: ReviewRow) -> str:
    """Return what the chart shows, for people who cannot see it."""
    times = counted(row.ran_out, "week")
    return (
        f"{row.consumable.name} on {row.van} over {counted(len(row.weeks), 'week')}: on average "
        f"{exact(row.average)} {row.consumable.stock_unit}, ran out in {times} of {row.counted}."
    )
