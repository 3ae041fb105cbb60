"""Charts drawn on the server: a matplotlib figure in the site's colours, as SVG, for light and dark pages.

A chart is shown as an image and so says nothing to a screen reader by itself: give the image a text, and put
the numbers in a table behind it (templates/shop/_chart.html does both).
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from io import BytesIO

import matplotlib as mpl
from django.http import HttpRequest, HttpResponse
from matplotlib.axes import Axes
from matplotlib.figure import Figure

SVG_TYPE = "image/svg+xml"
POINTS_PER_PIXEL = 72 / 96
# Text stays text, and equal figures become equal bytes. Set once for all threads, not around each figure.
mpl.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": "slurrybook", "font.size": 10.5})


class Theme(StrEnum):
    """Which page the chart is for."""

    LIGHT = "light"
    DARK = "dark"


@dataclass(frozen=True, slots=True)
class Colours:
    """The colours of one theme, as in style.css; `bands` from the widest interval to the narrowest."""

    ink: str
    soft: str
    line: str
    accent: str
    amber: str
    bands: tuple[str, str, str]


COLOURS = {
    Theme.LIGHT: Colours(
        ink="#15262b",
        soft="#4a6067",
        line="#cbd8da",
        accent="#0d4f5c",
        amber="#7a4a00",
        bands=("#d9e8ea", "#b2d2d7", "#7fb9c2"),
    ),
    Theme.DARK: Colours(
        ink="#e6eff0",
        soft="#a3b7bc",
        line="#31464c",
        accent="#8fd3dc",
        amber="#ffd58a",
        bands=("#203c43", "#2c5a64", "#3c7f8a"),
    ),
}

Draw = Callable[[Axes, Colours], None]


def theme_of(request: HttpRequest) -> Theme:
    """Return the theme that the address asks for with `?theme=dark`; light otherwise."""
    return Theme.DARK if request.GET.get("theme") == Theme.DARK else Theme.LIGHT


def svg(draw: Draw, *, theme: Theme = Theme.LIGHT, width_px: int = 720, height_px: int = 320) -> bytes:
    """Return what `draw` puts on one pair of axes as an SVG with a transparent ground."""
    colours = COLOURS[theme]
    size = (width_px * POINTS_PER_PIXEL / 72, height_px * POINTS_PER_PIXEL / 72)
    # A figure of its own: pyplot keeps a list of figures that threads would share.
    figure = Figure(figsize=size, layout="constrained")
    figure.patch.set_alpha(0)
    axes = figure.subplots()
    axes.patch.set_alpha(0)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(colours.line)
    axes.tick_params(colors=colours.soft, labelcolor=colours.ink)
    axes.grid(visible=True, axis="y", color=colours.line, linewidth=0.6)
    axes.set_axisbelow(True)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_color(colours.ink)
    draw(axes, colours)
    legend = axes.get_legend()
    if legend is not None:
        legend.get_frame().set_alpha(0)
        for text in legend.get_texts():
            text.set_color(colours.ink)
    drawn = BytesIO()
    figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": None})
    return drawn.getvalue()


def svg_response(drawn: bytes) -> HttpResponse:
    """Return a chart as the answer to a request for it."""
    return HttpResponse(drawn, content_type=SVG_TYPE)
