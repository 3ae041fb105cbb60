"""The open tasks of a person: one list over all areas, for the first page of each role.

Another app adds its own tasks with `register` when it starts, so that this one need not know it.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone

from inventory.models import RefusedDocument
from shop.accounting.count_variances import differing
from shop.accounting.period_reconciliation import late_documents, open_period
from shop.accounting.periods import Period
from shop.close_review.answer_questions import standing_questions
from shop.close_review.open_questions import open_questions
from shop.common.text import counted
from shop.models import Person, Role, WaitingUse
from shop.people.permissions import own_van, role_of
from shop.web.accounting.forms import OPEN_PERIOD

# More than this are not counted: the list shows the rest.
MOST = 1000


@dataclass(frozen=True, slots=True)
class Matter:
    """A number of things that wait for the same step, the step, and the page where it is done."""

    count: int
    thing: str
    waits: str
    link: str
    urgent: bool = False

    def __str__(self) -> str:
        return f"{counted(self.count, self.thing)}{' or more' * (self.count == MOST)} {self.waits}"


Source = Callable[[Person], Iterable[Matter]]
_sources: dict[str, tuple[Source, frozenset[Role]]] = {}


def register(name: str, source: Source, *roles: Role) -> None:
    """Add what waits in an area for people of these roles. Registering it again changes nothing.

    `source` makes as many queries for few rows as for many; what it counts as 0 is not shown.
    """
    _sources[name] = source, frozenset(roles)


def waiting_for(person: Person) -> list[Matter] | None:
    """Return what waits for a person, what is urgent first; None when nothing ever waits for the role."""
    role = role_of(person)
    asked = [source for source, roles in _sources.values() if role in roles]
    if not asked:
        return None
    found = [matter for source in asked for matter in source(person) if matter.count]
    return sorted(found, key=lambda matter: not matter.urgent)


def count_of(rows: QuerySet[Any]) -> int:
    """Return how many rows there are, at most MOST."""
    return rows.order_by()[:MOST].count()


def _questions(_person: Person) -> Iterable[Matter]:
    asked = count_of(standing_questions().filter(answered_at=None))
    yield Matter(asked, "question", "about closed jobs to answer", reverse("owner:questions"))


def _count_differences(_person: Person) -> Iterable[Matter]:
    found = count_of(differing().filter(explanation=None))
    yield Matter(found, "count variance", "to explain", reverse("store:differences"))


def _waiting_uses(_person: Person) -> Iterable[Matter]:
    """Imported uses that no job has: the job is not closed, or its close contradicts them."""
    link = reverse("admin:shop_waitinguse_changelist")
    yield Matter(count_of(WaitingUse.objects.all()), "use", "from files waiting for a job", link)


def _late_documents(_person: Person) -> Iterable[Matter]:
    """Documents that came after their day was locked, until the period they count in is locked as well."""
    first = open_period().start
    if first is None:
        return
    waits = f"to look at: their day was locked, so they count from {first} on"
    link = f"{reverse('accounts:late')}?{urlencode({'period': OPEN_PERIOD})}"
    yield Matter(count_of(late_documents(Period(first))), "late document", waits, link)


def _refused_documents(_person: Person) -> Iterable[Matter]:
    waiting = count_of(RefusedDocument.objects.filter(resolved_at=None))
    yield Matter(waiting, "refused document", "to compare and settle", reverse("accounts:refused"))


def _own_questions(person: Person) -> Iterable[Matter]:
    own = own_van(person)
    asked = count_of(open_questions(own, timezone.now())) if own else 0
    yield Matter(asked, "question", "about what you closed to answer", f"{reverse('phone:app')}#questions")


register("questions", _questions, Role.OWNER)
register("waiting uses", _waiting_uses, Role.OWNER)
register("questions about own closes", _own_questions, Role.TECHNICIAN)
register("late documents", _late_documents, Role.ACCOUNTANT)
register("refused documents", _refused_documents, Role.ACCOUNTANT, Role.OWNER)
register("differences of counts", _count_differences, Role.STOREKEEPER, Role.OWNER)
