"""Who may see which restocks, and what a list of them shows."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Exists, F, OuterRef, Prefetch, QuerySet

from forecasting.models import Restock, RestockLine, RestockStatus
from shop.models import Person, Role
from shop.people.permissions import own_van, role_of

OPEN = "differences"


def visible_to(person: Person) -> QuerySet[Restock]:
    """Return the restocks that a person may see: technicians see those of their own van."""
    restocks = Restock.objects.select_related("van", "depot", "run")
    if role_of(person) != Role.TECHNICIAN:
        return restocks
    own = own_van(person)
    return restocks.filter(van=own.van.place_id) if own else restocks.none()


def with_differences(restocks: QuerySet[Restock]) -> QuerySet[Restock]:
    """Annotate `has_differences`: something was picked and is not accounted for."""
    return restocks.annotate(has_differences=_differences())


def _differences() -> Exists:
    lines = RestockLine.objects.filter(restock=OuterRef("pk"), received__isnull=False)
    return Exists(lines.exclude(picked=F("received") + F("brought_back") + F("lost")))


def narrowed(restocks: QuerySet[Restock], *, week: str, van: str, status: str) -> QuerySet[Restock]:
    """Narrow restocks to a week, a van's code and a status or OPEN; what is empty does not narrow."""
    if week:
        restocks = restocks.filter(period=week)
    if van:
        restocks = restocks.filter(van__code=van)
    if status == OPEN:
        return restocks.filter(_differences())
    return restocks.filter(status=status) if status else restocks


@dataclass(frozen=True, slots=True)
class RestockRow:
    """A restock in a list: how many consumables it gives, and what they are worth."""

    restock: Restock
    lines: int
    value: Decimal


def with_lines(restocks: QuerySet[Restock]) -> QuerySet[Restock]:
    """Read what `rows` needs of the lines, all at once."""
    needed = RestockLine.objects.only("restock", "suggested", "changed_to", "approved", "picked", "unit_cost")
    return restocks.prefetch_related(Prefetch("lines", needed.order_by()))


def rows(restocks: Iterable[Restock]) -> list[RestockRow]:
    """Return the rows of a list of restocks read by `with_lines`."""
    found = []
    for restock in restocks:
        given = [line for line in restock.lines.all() if line.due]
        value = sum((line.due * line.unit_cost for line in given), Decimal(0))
        found.append(RestockRow(restock, len(given), value))
    return found


def status_choices() -> list[tuple[str, str]]:
    """Return what a list can be narrowed to, with the words for it."""
    return [(status, status) for status in RestockStatus.values] + [(OPEN, "with open differences")]
