"""Questions about a stock document before it is posted. Pure; asking never refuses."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from statistics import median

from shop.close_review.rules import LONG_BEFORE, UNIT_MISTAKE
from shop.common.text import exact

# A price this many times the last one, or one over it, is asked about. Our choice, no source.
PRICE_STEP = Decimal(2)


@dataclass(frozen=True, slots=True)
class Entered:
    """A line as entered: quantity in stock units, cost of the whole line where there is one.

    `usual` are recent quantities of the same kind of document, `last_cost` the last landed cost of a unit,
    `held` what the book says is where the stock would leave from; None where it does not matter.
    """

    name: str
    unit: str
    quantity: Decimal
    usual: Sequence[Decimal] = ()
    cost: Decimal | None = None
    last_cost: Decimal | None = None
    held: Decimal | None = None


def questions(lines: Sequence[Entered]) -> Iterator[str]:
    """Yield what to ask about the lines, in their order."""
    for line in lines:
        if line.usual and line.quantity >= UNIT_MISTAKE * median(line.usual) > 0:
            yield (
                f"{line.name}: {exact(line.quantity)} {line.unit} entered, where "
                f"{exact(median(line.usual))} {line.unit} is usual. Is the unit right?"
            )
        if line.cost is not None and line.last_cost and line.quantity > 0:
            unit_cost = line.cost / line.quantity
            if not line.last_cost / PRICE_STEP <= unit_cost <= line.last_cost * PRICE_STEP:
                yield (
                    f"{line.name}: {exact(round(unit_cost, 4))} a {line.unit} entered, where it last cost "
                    f"{exact(round(line.last_cost, 4))}. Is this the cost of the whole line?"
                )
    yield from _overdrawn(lines)


def day_question(day: date, latest: date | None) -> Iterator[str]:
    """Yield a question about a day long before the latest work of the shop."""
    if latest is not None and latest - day > LONG_BEFORE:
        yield f"It is dated {day}, long before the latest closed job on {latest}. Is the date right?"


def count_questions(lines: Sequence[Entered]) -> Iterator[str]:
    """Yield what to ask about a count: a find ten times the book, or a tenth of it, is often another unit.

    The book quantity is not shown, since a count is blind.
    """
    for line in lines:
        book = line.held or Decimal(0)
        if min(book, line.quantity) <= 0:
            continue
        if max(book, line.quantity) >= UNIT_MISTAKE * min(book, line.quantity):
            yield (
                f"{line.name}: {exact(line.quantity)} {line.unit} counted, far from what the book expects. "
                f"Is it counted in {line.unit}, and completely?"
            )


def _overdrawn(lines: Sequence[Entered]) -> Iterator[str]:
    leaving: dict[str, Decimal] = {}
    for line in lines:
        if line.held is not None:
            leaving[line.name] = leaving.get(line.name, Decimal(0)) + line.quantity
    for line in lines:
        total = leaving.pop(line.name, None)
        if total is not None and line.held is not None and total > line.held:
            yield (
                f"{line.name}: {exact(total)} {line.unit} to take, but the book has only "
                f"{exact(line.held)} {line.unit} there. Is it another place, or was something not logged?"
            )
