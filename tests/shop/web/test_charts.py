"""Charts: text stays text, each theme has its own colours, and equal figures give equal bytes."""

from xml.etree import ElementTree

import pytest
from matplotlib.axes import Axes

from shop.web.charts import COLOURS, Colours, Theme, svg


def draw(axes: Axes, colours: Colours) -> None:
    axes.plot([1, 2, 3], [4, 5, 4], color=colours.accent, label="discs")
    axes.set_xlabel("week & year")
    axes.legend()


@pytest.mark.parametrize("theme", Theme)
def test_a_chart_is_svg_with_readable_text_in_its_theme(theme: Theme) -> None:
    drawn = svg(draw, theme=theme)
    root = ElementTree.fromstring(drawn)  # noqa: S314 - our own output
    texts = {element.text for element in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"week & year", "discs"} <= texts
    assert COLOURS[theme].accent.encode() in drawn
    other = Theme.LIGHT if theme == Theme.DARK else Theme.DARK
    assert COLOURS[other].accent.encode() not in drawn


def test_equal_figures_give_equal_bytes() -> None:
    assert svg(draw) == svg(draw)


def test_the_width_and_height_asked_for_are_those_drawn() -> None:
    root = ElementTree.fromstring(svg(draw, width_px=400, height_px=200))  # noqa: S314 - our own output
    assert (root.get("width"), root.get("height")) == ("300pt", "150pt")
