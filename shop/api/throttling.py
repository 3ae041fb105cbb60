"""The limit of requests a minute for a person's programs; beyond it the answer says when to retry."""

from typing import Any

from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle

from shop.people.permissions import is_person


class PerPerson(SimpleRateThrottle):
    """Counts by person in each process of the server; a client that has not signed in is refused anyway."""

    scope = "person"

    def get_cache_key(self, request: Request, view: Any) -> str | None:  # noqa: ARG002
        """Return the name under which the requests of a person are counted."""
        user = request.user
        return self.cache_format % {"scope": self.scope, "ident": user.pk} if is_person(user) else None
