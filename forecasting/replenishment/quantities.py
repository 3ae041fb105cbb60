"""The quantities that a person gives on a restock: which are invalid, and how they are stored."""

from collections.abc import Callable, Collection, Mapping
from decimal import Decimal

from forecasting.models import RestockLine
from forecasting.workflow import StepRefused
from inventory.documents import Problem, quantity_problem
from shop.common.text import exact

Quantities = Mapping[str, Decimal]


def chosen(
    lines: Collection[RestockLine], given: Quantities | None, suggested: Callable[[RestockLine], Decimal]
) -> dict[str, Decimal]:
    """Return the quantity of each line by code: the given one, where none is given the suggested one.

    Raises StepRefused with every invalid quantity, and every code that has no line.
    """
    given = given or {}
    codes = {line.consumable.code for line in lines}
    unknown = [code for code in given if code not in codes]
    problems = [Problem("consumable", code, "is not on this restock; leave it out") for code in unknown]
    found = {line.consumable.code: given.get(line.consumable.code, suggested(line)) for line in lines}
    for number, line in enumerate(lines, 1):
        if expected := wrong_quantity(line, found[line.consumable.code]):
            problems.append(Problem(line.consumable.code, found[line.consumable.code], expected, number))
    if problems:
        raise StepRefused(problems)
    return found


def wrong_quantity(line: RestockLine, quantity: Decimal) -> str | None:
    """Return what is wrong with a quantity of a line, or None."""
    return quantity_problem(quantity, zero=True) or line.consumable.whole_problem(quantity)


def as_text(quantities: Quantities) -> dict[str, str]:
    """Return quantities as JSON values for an event, without zeros."""
    return {code: exact(quantity) for code, quantity in quantities.items() if quantity}
