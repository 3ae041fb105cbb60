"""The links at the top of every page: one table of which role finds what where."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest

from shop.models import Role
from shop.people.permissions import is_person, role_of

TECHNICIAN, STOREKEEPER, OWNER, ACCOUNTANT = (
    Role.TECHNICIAN,
    Role.STOREKEEPER,
    Role.OWNER,
    Role.ACCOUNTANT,
)


@dataclass(frozen=True, slots=True)
class Link:
    """A page by its route's name, and the roles it serves."""

    label: str
    route: str
    roles: frozenset[Role]


def _link(label: str, route: str, *roles: Role) -> Link:
    return Link(label, route, frozenset(roles))


# In the order shown.
LINKS: tuple[Link, ...] = (
    _link("Close jobs", "phone:app", TECHNICIAN),
    _link("Estimate", "intake:estimate", TECHNICIAN, OWNER),
    _link("Bookings", "intake:bookings", TECHNICIAN, STOREKEEPER, OWNER),
    _link("Margins", "owner:margins", OWNER, ACCOUNTANT),
    _link("Books", "accounts:periods", OWNER, ACCOUNTANT),
    _link("Stock", "store:stock", STOREKEEPER, OWNER, ACCOUNTANT),
    _link("Burn", "burn:list", TECHNICIAN, STOREKEEPER, OWNER, ACCOUNTANT),
    _link("Restocks", "restocks:list", TECHNICIAN, STOREKEEPER, OWNER, ACCOUNTANT),
    _link("Purchases", "purchases:list", STOREKEEPER, OWNER, ACCOUNTANT),
    _link("Past service", "lookback:list", TECHNICIAN, STOREKEEPER, OWNER),
    _link("Letters", "letters:list", STOREKEEPER, OWNER),
    _link("Periodic work", "work:list", STOREKEEPER, OWNER),
    _link("People", "people:list", OWNER),
    _link("API description", "api:description", OWNER, ACCOUNTANT),
    _link("Set-up", "admin:index", OWNER),
)


def links(request: HttpRequest) -> dict[str, Any]:
    """Return the links for the person who asks, for every template (a context processor)."""
    user = getattr(request, "user", None)
    if not is_person(user):
        return {"links": ()}
    role = role_of(user)
    return {"links": [link for link in LINKS if role in link.roles]}
