"""Tables of the desks as rows of cells; templates/shop/owner/_table.html shows one."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from urllib.parse import urlencode

from django.urls import reverse

from inventory.models import Books
from shop.common.amounts import money
from shop.costing.formulas import JobCosts
from shop.web.margin_bars import Bar, MarginRow

Money = Callable[[Decimal], str]


@dataclass(frozen=True, slots=True)
class Column:
    """A column; numbers stand to the right."""

    label: str
    number: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """What stands in a row under a column: a text, perhaps a link, a small note below, tags, a margin bar.

    `tags` ask for a look; `good` says what is well.
    """

    text: str
    href: str = ""
    note: str = ""
    tags: tuple[str, ...] = ()
    good: str = ""
    strong: bool = False
    row: MarginRow | None = None


@dataclass(frozen=True, slots=True)
class Scale:
    """What the margin bars of a table share."""

    bar: Bar
    zero: float
    target: float


@dataclass(frozen=True, slots=True)
class Table:
    """A captioned table; its first cells name the rows. `total` is the last row, set apart; `empty` stands
    for no rows."""

    caption: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]
    total: Sequence[Cell] = ()
    empty: str = "Nothing here."
    scale: Scale | None = None

    @property
    def lines(self) -> list[tuple[bool, list[tuple[Column, Cell]]]]:
        """Each row, whether it is the total, and its cells with their columns."""
        lines = [(False, row) for row in self.rows]
        if self.total and self.rows:
            lines.append((True, self.total))
        return [(total, list(zip(self.columns, row, strict=True))) for total, row in lines]

    @property
    def is_wide(self) -> bool:
        """Whether it needs a wide page to stand as a table."""
        return len(self.columns) > 6


def texts(*values: str) -> list[Cell]:
    """Return plain cells."""
    return [Cell(value) for value in values]


def numbers(*labels: str) -> list[Column]:
    """Return columns of numbers."""
    return [Column(label, number=True) for label in labels]


def shop_money() -> Money:
    """Return how amounts are written in the shop's currency. One query."""
    digits = Books.objects.get().minor_unit_digits
    return lambda amount: money(amount, digits)


def address(route: str, *arguments: object, **query: object) -> str:
    """Return the address of a page with a query, of which what is None, False or empty is left out."""
    given = {name: value for name, value in query.items() if value not in (None, False, "")}
    path = reverse(route, args=arguments)
    return f"{path}?{urlencode(given)}" if given else path


def scale_for(bar: Bar, target: float) -> Scale:
    """Return what the bars of a table share, for a target ratio."""
    return Scale(bar, bar.position(0.0), bar.position(target))


COST_COLUMNS = numbers(
    "Revenue", "Materials", "Wear", "Labour", "Travel", "Contribution", "Overhead", "Margin"
)


def cost_cells(costs: JobCosts, written: Money) -> list[Cell]:
    """Return a cell under each of COST_COLUMNS."""
    amounts = (
        *(costs.revenue, costs.materials, costs.wear, costs.labour, costs.travel),
        *(costs.contribution, costs.overhead),
    )
    return [*(Cell(written(amount)) for amount in amounts), Cell(written(costs.margin), strong=True)]
