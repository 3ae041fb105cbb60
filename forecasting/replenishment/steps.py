"""What every step in the life of a restock has in common: one at a time, once, with who did it when."""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.utils import timezone

from forecasting.models import Restock, RestockEvent, RestockLine
from inventory import ledger
from inventory.documents import Problem, quantity_problem
from shop.common.text import exact

Quantities = Mapping[str, Decimal]


class StepRefused(ValueError):
    """A step that cannot be taken, with all that is wrong; nothing was written."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = list(problems)
        super().__init__("; ".join(str(problem) for problem in self.problems))


class StepConflict(StepRefused):
    """A step that does not follow where the restock stands: somebody has done something else."""


@dataclass(frozen=True, slots=True)
class Done:
    """The answer to a step: the restock after it, whether this call took it, and what a person should see."""

    restock: Restock
    changed: bool
    flags: tuple[str, ...] = ()


def take(restock_id: int, step: Callable[[Restock, list[RestockLine]], Done]) -> Done:
    """Take a step in a transaction that holds the restock, so that two people cannot take it at once.

    `step` gets the locked restock and its lines in the order of their codes. Raises Restock.DoesNotExist.
    """

    def work() -> Done:
        locked = Restock.objects.select_for_update(of=("self",)).select_related("van", "depot", "run")
        restock = locked.get(pk=restock_id)
        lines = restock.lines.select_related("consumable").order_by("consumable__code")
        return step(restock, list(lines))

    return ledger.once_more_if_raced(work)


def note(
    restock: Restock, what: str, *, by: str, now: datetime, details: Mapping[str, object] | None = None
) -> None:
    """Add who did what when."""
    RestockEvent.objects.create(restock=restock, what=what, details=dict(details or {}), at=now, by=by)


def not_now(restock: Restock, wanted: str) -> StepConflict:
    """Return the refusal of a step that the restock is not at, saying who brought it where it is."""
    last = RestockEvent.objects.filter(restock=restock).last()
    who = f" by {last.by}" if last and last.by else ""
    when = f" ({last.what}{who} on {timezone.localtime(last.at):%Y-%m-%d %H:%M})" if last else ""
    return StepConflict([Problem("status", restock.status, f"does not allow it{when}; {wanted}")])


def chosen(
    lines: Collection[RestockLine], given: Quantities | None, suggested: Callable[[RestockLine], Decimal]
) -> dict[str, Decimal]:
    """Return the quantity of each line by code: the given one, where none is given the suggested one.

    Raises StepRefused with every quantity that cannot be, and every code that has no line.
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
    if found := quantity_problem(quantity, zero=True):
        return found
    return line.consumable.whole_problem(quantity)


def as_text(quantities: Quantities) -> dict[str, str]:
    """Return quantities as JSON values for an event, without those of nothing."""
    return {code: exact(quantity) for code, quantity in quantities.items() if quantity}
