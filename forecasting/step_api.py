"""What the routes of restocks and purchases share: whom they serve, their schema, their pages and amounts."""

from collections.abc import Collection, Mapping
from typing import Any, ClassVar

from django.core.paginator import InvalidPage, Page, Paginator
from django.http import Http404
from drf_spectacular.openapi import AutoSchema
from rest_framework import serializers
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.views import APIView

from inventory.documents import Problem
from shop.access import is_person, role_of
from shop.api.problems import MEDIA_TYPE, Malformed, ProblemSerializer
from shop.models import Person, Role

ROWS_PER_PAGE = 50
REFUSALS = {
    "GET": (400, 401, 403, 404),
    "PUT": (400, 401, 403, 404, 409, 413, 415),
    "DELETE": (401, 403, 404, 409),
}


class AmountField(serializers.DecimalField):
    """An exact number as a string."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_digits=19, decimal_places=4, **kwargs)

    def to_representation(self, value: Any) -> str:
        """Return it in plain digits, without zeros at the end."""
        return f"{value.normalize():f}"


class ServesRoles(BasePermission):
    """Lets in the roles that the view names for the method."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        """Return whether the view serves the role."""
        user = request.user
        served: Mapping[str, Collection[Role]] = getattr(view, "serves", {})
        return is_person(user) and role_of(user) in served.get(request.method or "", ())


class StepSchema(AutoSchema):
    """A route of what goes by steps: its answers, and problem details for refusals."""

    def get_response_serializers(self) -> Any:
        """Return the answers by status and media type."""
        refusals: dict[Any, Any] = {(s, MEDIA_TYPE): ProblemSerializer for s in REFUSALS[self.method]}
        shown = getattr(self.view, "answers_with")  # noqa: B009 - each view of this module has it
        return {200: shown, **({201: shown} if self.method == "PUT" else {}), **refusals}

    def get_request_serializer(self) -> Any:
        """Return the shape of a step."""
        return getattr(self.view, "serializer_class", None) if self.method == "PUT" else None

    def get_operation_id(self) -> str:
        """Return a name of its own for each route and method."""
        named = type(self.view).__name__.removesuffix("View").lower()
        return f"{named}_{self.method.lower()}"


class ServedView(APIView):
    """A route that serves, by method, the roles it names, and answers with one shape."""

    permission_classes = [ServesRoles]
    schema = StepSchema()
    serves: ClassVar[Mapping[str, Collection[Role]]]
    answers_with: ClassVar[type[serializers.BaseSerializer[Any]]]

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Refuse methods that are not served before asking who it is."""
        if request.method not in self.serves:
            raise MethodNotAllowed(request.method or "")
        super().initial(request, *args, **kwargs)


def asking(request: Request) -> Person:
    """Return who asks. Raises Http404 for anyone whom no role lets in."""
    if not is_person(request.user):
        raise Http404
    return request.user


def status_asked(request: Request, known: Mapping[str, Any]) -> str:
    """Return the status that a list is narrowed to, empty for all. Raises Malformed for an unknown one."""
    asked = request.query_params.get("status", "")
    if asked and asked not in known:
        raise Malformed([Problem("status", asked, f"is not one of {', '.join(known)}")])
    return asked


def page_asked(request: Request, rows: Any) -> Page[Any]:
    """Return the page of rows that is asked for, by default the first. Raises Malformed without one."""
    pages = Paginator(rows, ROWS_PER_PAGE)
    asked = request.query_params.get("page", "1")
    try:
        return pages.page(asked)
    except InvalidPage as error:
        raise Malformed([Problem("page", asked, f"is no page from 1 to {pages.num_pages}")]) from error


def listed(page: Page[Any]) -> dict[str, Any]:
    """Return a page as lists are answered."""
    return {"count": page.paginator.count, "pages": page.paginator.num_pages, "results": page.object_list}
