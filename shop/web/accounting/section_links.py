"""The pages of the accountant's desk, as links above each of them."""

from django.http import HttpRequest
from django.urls import reverse

from shop.web.owner.section_links import Area

# Route, label, and the routes that belong under it.
AREAS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("accounts:periods", "Periods", ("accounts:lock", "accounts:reopen")),
    (
        "accounts:reconciliation",
        "Reconciliation",
        ("accounts:movements", "accounts:adjustments", "accounts:stock"),
    ),
    ("accounts:provisional", "Provisional", ()),
    ("accounts:late", "Late documents", ()),
    ("accounts:refused", "Refused documents", ("accounts:refused-one",)),
    ("accounts:exports", "Exports", ()),
)


def areas(request: HttpRequest) -> list[Area]:
    """Return the links."""
    here = request.resolver_match.view_name if request.resolver_match else ""
    return [Area(label, reverse(route), here == route or here in under) for route, label, under in AREAS]
