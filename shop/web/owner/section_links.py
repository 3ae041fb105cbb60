"""The pages of a desk, as links above each of them."""

from dataclasses import dataclass

from django.http import HttpRequest
from django.urls import reverse

from shop.models import Role
from shop.people.permissions import person_of, role_of

BOTH = (Role.OWNER, Role.ACCOUNTANT)
# By desk, which is the namespace of its routes: route, label, the roles it serves, and the routes under it.
AREAS: dict[str, tuple[tuple[str, str, tuple[Role, ...], tuple[str, ...]], ...]] = {
    "owner": (
        ("owner:margins", "Margins", BOTH, ()),
        ("owner:changes", "Margin changes", BOTH, ()),
        ("owner:jobs", "Jobs", BOTH, ("owner:job",)),
        ("owner:target-prices", "Target prices", (Role.OWNER,), ()),
        ("owner:consumption", "Consumption", (Role.OWNER,), ()),
        ("owner:missing", "Shrinkage", (Role.OWNER,), ("owner:missing-counts",)),
        ("owner:questions", "Questions", (Role.OWNER,), ("owner:question",)),
        ("owner:rates", "Rates", (Role.OWNER,), ("owner:labour-rate", "owner:overhead-rate")),
        ("owner:settings", "Settings", (Role.OWNER,), ()),
    ),
    "accounts": (
        ("accounts:periods", "Periods", BOTH, ("accounts:lock", "accounts:reopen")),
        (
            "accounts:reconciliation",
            "Reconciliation",
            BOTH,
            ("accounts:movements", "accounts:adjustments", "accounts:stock"),
        ),
        ("accounts:provisional", "Provisional", BOTH, ()),
        ("accounts:late", "Late documents", BOTH, ()),
        ("accounts:refused", "Refused documents", BOTH, ("accounts:refused-one",)),
        ("accounts:exports", "Exports", BOTH, ()),
    ),
}


@dataclass(frozen=True, slots=True)
class Area:
    """A link above the page."""

    label: str
    href: str
    is_here: bool


def areas(request: HttpRequest) -> list[Area]:
    """Return the links of the desk that the page belongs to, for the person who asks."""
    role = role_of(person_of(request))
    match = request.resolver_match
    here = match.view_name if match else ""
    return [
        Area(label, reverse(route), here == route or here in under)
        for route, label, roles, under in AREAS[match.namespace if match else "owner"]
        if role in roles
    ]
