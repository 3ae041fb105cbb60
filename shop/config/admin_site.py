"""The admin site: for owners only, whatever flags a person's row carries, and with our own sign-in."""

from typing import Any

from django.contrib.admin import AdminSite
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseBase
from django.urls import reverse

from shop.people.permissions import is_owner


class OwnersSite(AdminSite):
    """Set-up data to change, the ledger to look at."""

    site_header = "Set-up"
    site_title = "Slurrybook"
    index_title = "Set-up and ledger"

    def has_permission(self, request: HttpRequest) -> bool:
        """Return whether it is an owner who asks."""
        return is_owner(request.user)

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponseBase:  # type: ignore[override]  # noqa: ARG002
        """Send to the sign-in page; a signed-in person who still comes here is not an owner."""
        if request.user.is_authenticated:
            raise PermissionDenied("Only an owner sets up the shop.")
        return redirect_to_login(request.GET.get("next") or reverse("admin:index"))
