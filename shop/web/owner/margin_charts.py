"""Charts of the owner's desk; the table on the page holds the same numbers."""

from collections.abc import Sequence
from decimal import Decimal

from django.http import HttpRequest
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter, StrMethodFormatter

from shop.profitability.margins import GroupMargin
from shop.web.charts import Colours, Draw, svg, theme_of
from shop.web.grouping_form import shown

WIDE_PX, NARROW_PX = 760, 380
ROW_PX, FRAME_PX = 30, 70
LONGEST_LABEL = 22
THOUSANDS = "{x:,.12g}"


def ratios(groups: Sequence[GroupMargin], target: float, request: HttpRequest) -> bytes:
    """Draw the margin ratio of each group with its interval, the first at the top."""

    def draw(axes: Axes, colours: Colours) -> None:
        axes.grid(visible=False, axis="y")
        axes.grid(visible=True, axis="x", color=colours.line, linewidth=0.6)
        axes.axvline(0, color=colours.soft, linewidth=1)
        axes.axvline(target, color=colours.amber, linewidth=1.5, linestyle="--", label="target")
        for height, group in enumerate(reversed(groups)):
            if group.low is not None and group.high is not None:
                axes.plot([group.low, group.high], [height, height], color=colours.bands[2], linewidth=6)
            if group.ratio is not None:
                axes.plot([group.ratio], [height], "o", color=colours.ink, markersize=5)
        axes.set_yticks(range(len(groups)), [_short(group.label) for group in reversed(groups)])
        axes.set_ylim(-0.6, max(len(groups), 1) - 0.4)
        lowest = min((group.low for group in groups if group.low is not None), default=0.0)
        if lowest < -1:
            axes.set_xlim(left=-1)
        axes.xaxis.set_major_formatter(PercentFormatter(1, decimals=0))
        axes.set_xlabel("margin, share of revenue", color=colours.ink)
        axes.legend(loc="best", fontsize=9)

    return _drawn(draw, FRAME_PX + ROW_PX * max(len(groups), 3), request)


def months(groups: Sequence[GroupMargin], target: float, request: HttpRequest) -> bytes:
    """Draw the margin ratio month by month with the band of its intervals."""
    known = [group for group in groups if group.ratio is not None]

    def draw(axes: Axes, colours: Colours) -> None:
        places = range(len(known))
        banded = [
            (place, group.low, group.high)
            for place, group in enumerate(known)
            if group.low is not None and group.high is not None
        ]
        for place, low, high in banded:
            axes.plot([place, place], [low, high], color=colours.bands[2], linewidth=6)
        axes.plot(places, [group.ratio or 0.0 for group in known], "-o", color=colours.accent, markersize=4)
        axes.axhline(0, color=colours.soft, linewidth=1)
        axes.axhline(target, color=colours.amber, linewidth=1.5, linestyle="--", label="target")
        axes.yaxis.set_major_formatter(PercentFormatter(1, decimals=0))
        step = -(-len(known) // (5 if _is_narrow(request) else 12)) or 1
        axes.set_xticks(places[::step], [group.label for group in known[::step]])
        axes.set_ylabel("margin, share of revenue", color=colours.ink)
        axes.legend(loc="best", fontsize=9)

    return _drawn(draw, 320, request)


def changes(bars: Sequence[tuple[str, Decimal]], currency: str, request: HttpRequest) -> bytes:
    """Draw changes in money as bars to either side of zero, the first at the top."""

    def draw(axes: Axes, colours: Colours) -> None:
        axes.grid(visible=False, axis="y")
        axes.grid(visible=True, axis="x", color=colours.line, linewidth=0.6)
        amounts = [float(amount) for _, amount in reversed(bars)]
        fill = [colours.accent if amount >= 0 else colours.amber for amount in amounts]
        axes.barh(range(len(bars)), amounts, color=fill, height=0.6)
        axes.axvline(0, color=colours.soft, linewidth=1)
        axes.set_yticks(range(len(bars)), [_short(label) for label, _ in reversed(bars)])
        axes.set_xlabel(f"change of the margin, {currency}", color=colours.ink)
        axes.locator_params(axis="x", nbins=4 if _is_narrow(request) else 8)
        axes.xaxis.set_major_formatter(StrMethodFormatter(THOUSANDS))

    return _drawn(draw, FRAME_PX + ROW_PX * max(len(bars), 3), request)


def monthly_bars(bars: Sequence[tuple[str, Decimal]], what: str, request: HttpRequest) -> bytes:
    """Draw an amount per month as upright bars."""

    def draw(axes: Axes, colours: Colours) -> None:
        amounts = [float(amount) for _, amount in bars]
        fill = [colours.amber if amount >= 0 else colours.accent for amount in amounts]
        axes.bar(range(len(bars)), amounts, color=fill, width=0.6)
        axes.axhline(0, color=colours.soft, linewidth=1)
        step = -(-len(bars) // (5 if _is_narrow(request) else 12)) or 1
        axes.set_xticks(range(0, len(bars), step), [label for label, _ in bars[::step]])
        axes.set_ylabel(what, color=colours.ink)
        axes.yaxis.set_major_formatter(StrMethodFormatter(THOUSANDS))

    return _drawn(draw, 280, request)


def _is_narrow(request: HttpRequest) -> bool:
    return request.GET.get("narrow") == "1"


def _short(label: str) -> str:
    text = shown(label)
    # A dollar sign would start a formula.
    text = text if len(text) <= LONGEST_LABEL else f"{text[: LONGEST_LABEL - 1]}…"
    return text.replace("$", r"\$")


def _drawn(draw: Draw, height_px: int, request: HttpRequest) -> bytes:
    width_px = NARROW_PX if _is_narrow(request) else WIDE_PX
    return svg(draw, theme=theme_of(request), width_px=width_px, height_px=height_px)
