"""The pages of the owner's desk, as links above each of them."""

from dataclasses import dataclass

from django.http import HttpRequest
from django.urls import reverse

from shop.models import Role
from shop.people.permissions import person_of, role_of

BOTH = (Role.OWNER, Role.ACCOUNTANT)
# Route, label, the roles it serves, and the routes that belong under it.
AREAS: tuple[tuple[str, str, tuple[Role, ...], tuple[str, ...]], ...] = (
    ("owner:margins", "Margins", BOTH, ()),
    ("owner:changes", "What moved", BOTH, ()),
    ("owner:jobs", "Jobs", BOTH, ("owner:job",)),
    ("owner:mending", "Losses", (Role.OWNER,), ()),
    ("owner:consumption", "Consumption", (Role.OWNER,), ()),
    ("owner:missing", "Found missing", (Role.OWNER,), ("owner:missing-counts",)),
    ("owner:questions", "Questions", (Role.OWNER,), ("owner:question",)),
    ("owner:rates", "Rates", (Role.OWNER,), ("owner:labour-rate", "owner:overhead-rate")),
    ("owner:settings", "Settings", (Role.OWNER,), ()),
)


@dataclass(frozen=True, slots=True)
class Area:
    """A link above the page."""

    label: str
    href: str
    is_here: bool


def areas(request: HttpRequest) -> list[Area]:
    """Return the links for whoever asks."""
    role = role_of(person_of(request))
    here = request.resolver_match.view_name if request.resolver_match else ""
    return [
        Area(label, reverse(route), here == route or here in under)
        for route, label, roles, under in AREAS
        if role in roles
    ]
