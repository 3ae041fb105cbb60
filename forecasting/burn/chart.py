"""The chart of one van and consumable: what was used, and what is to be expected."""

from matplotlib.axes import Axes

from forecasting.burn.queries import Ahead, PastWeek
from shop.web.charts import Colours, Draw

WEEKS_SHOWN = 52
TICKS = 5
# The latest weeks have no name below them, where that of the weeks ahead stands.
FREE_WEEKS = 4
# Weeks ahead that the forecast of a week is drawn over; it is the same for each of them.
AHEAD_SHOWN = 4


def burn_chart(past: list[PastWeek], week: Ahead, unit: str) -> Draw:
    """Return the drawing of a year of weekly use and of the interval that one week ahead is in."""
    shown = past[-WEEKS_SHOWN:]
    numbers = range(-len(shown), 0)

    def draw(axes: Axes, colours: Colours) -> None:
        seen = [
            (number, float(one.used))
            for number, one in zip(numbers, shown, strict=True)
            if one.used is not None
        ]
        axes.bar(
            [number + 0.5 for number, _ in seen],
            [used for _, used in seen],
            width=0.8,
            color=colours.soft,
            label="used in the week",
        )
        across = [0, AHEAD_SHOWN]
        for interval, colour in zip(week.intervals, colours.bands, strict=False):
            axes.fill_between(
                across,
                float(interval.low),
                float(interval.high),
                color=colour,
                label=interval.name,
                linewidth=0,
            )
        if week.median is not None:
            axes.plot(
                across,
                [float(week.median)] * 2,
                color=colours.accent,
                linewidth=2,
                label="median",
                solid_capstyle="butt",
            )
        axes.axvline(0, color=colours.line, linewidth=1)
        step = max(len(shown) // TICKS, 1)
        ticks = list(numbers)[::-1][FREE_WEEKS::step]
        axes.set_xticks(
            [*(tick + 0.5 for tick in ticks), AHEAD_SHOWN / 2],
            [*(shown[tick].week for tick in ticks), "ahead"],
            rotation=30,
            ha="right",
        )
        axes.set_ylim(bottom=0)
        axes.set_xlim(-len(shown) - 0.2, AHEAD_SHOWN)
        axes.set_ylabel(f"{unit} a week")
        axes.legend(loc="upper left", ncols=5, fontsize="small", bbox_to_anchor=(0, 1.14), columnspacing=1)

    return draw


def chart_description(past: list[PastWeek], week: Ahead, what: str, unit: str) -> str:
    """Return what the chart shows, for people who cannot see it."""
    counted = [one for one in past[-WEEKS_SHOWN:] if one.used is not None]
    before = f"Use of {what} in {len(counted)} weeks that count"
    if counted:
        before += f", the latest {counted[-1].used:f} {unit} in {counted[-1].week}"
    ahead = []
    if week.intervals:
        wide = week.intervals[0]
        ahead.append(f"{wide.low:f} to {wide.high:f} {unit} with {wide.name}")
    if week.median is not None:
        ahead.append(f"median {week.median:f}")
    return f"{before}; a week ahead {', '.join(ahead) or 'no level is stored'}."
