"""Open tasks of restocks, purchases, letters and periodic work (shop.web.worklist)."""

from collections.abc import Iterable
from urllib.parse import urlencode

from django.urls import reverse
from django.utils import timezone

from forecasting.models import PurchaseStatus, RestockStatus
from forecasting.outbox.queries import NEEDS_A_HAND, needing_a_hand
from forecasting.purchasing import queries as purchasing
from forecasting.replenishment import queries as restocking
from forecasting.scheduler import monitoring
from shop.models import Person, Role
from shop.people.permissions import STOCK_ROLES, role_of
from shop.web.worklist import Matter, count_of, register


def tell() -> None:
    """Add these tasks to the first page of each role."""
    register("periodic work", _work, *STOCK_ROLES)
    register("letters", _letters, *STOCK_ROLES)
    register("restocks", _restocks, Role.TECHNICIAN, *STOCK_ROLES)
    register("purchases", _purchases, *STOCK_ROLES)


def _work(_person: Person) -> Iterable[Matter]:
    now, page = timezone.now(), reverse("work:list")
    failed, overdue = monitoring.failed(now), monitoring.overdue(now)
    disagreements = monitoring.disagreements_of_last_check()
    yield Matter(len(failed), "piece", "of periodic work failed", page, urgent=True)
    yield Matter(len(overdue), "piece", "of periodic work overdue, and nothing does it", page, urgent=True)
    yield Matter(disagreements, "place", "where the books are inconsistent", page, urgent=True)


def _letters(_person: Person) -> Iterable[Matter]:
    page = _narrowed("letters:list", state=NEEDS_A_HAND)
    yield Matter(count_of(needing_a_hand()), "letter", "that did not reach everyone", page, urgent=True)


def _restocks(person: Person) -> Iterable[Matter]:
    steps: dict[str, str] = {RestockStatus.UNDER_WAY: "under way, to confirm on the van"}
    if role_of(person) in STOCK_ROLES:
        steps |= {
            RestockStatus.DRAFT: "to approve",
            RestockStatus.APPROVED: "to pick",
            restocking.OPEN: "with differences to settle",
        }
    restocks = restocking.visible_to(person)
    for status, waits in steps.items():
        found = restocking.narrowed(restocks, week="", van="", status=status)
        yield Matter(count_of(found), "restock", waits, _narrowed("restocks:list", status=status))


def _purchases(_person: Person) -> Iterable[Matter]:
    steps = {
        purchasing.LATE: "overdue from the supplier",
        PurchaseStatus.DRAFT: "to approve",
        PurchaseStatus.APPROVED: "to send",
    }
    for status, waits in steps.items():
        found = purchasing.narrowed(purchasing.purchases(), supplier="", status=status)
        page = _narrowed("purchases:list", status=status)
        yield Matter(count_of(found), "purchase", waits, page, urgent=status == purchasing.LATE)


def _narrowed(route: str, **query: str) -> str:
    return f"{reverse(route)}?{urlencode(query)}"
