"""What the routes of restocks and purchases share: whom they serve, their schema, their amounts."""

from collections.abc import Collection, Mapping
from typing import Any, ClassVar

from django.http import Http404
from rest_framework import serializers
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.views import APIView

from shop.api.problems import MEDIA_TYPE, ProblemSerializer
from shop.api.schema import ApiSchema
from shop.common.text import exact
from shop.models import Person, Role
from shop.people.permissions import is_person, role_of


class AmountField(serializers.DecimalField):
    """An exact number as a string."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_digits=19, decimal_places=4, **kwargs)

    def to_representation(self, value: Any) -> str:
        """Return it in plain digits, without zeros at the end."""
        return exact(value)


class ServesRoles(BasePermission):
    """Lets in the roles that the view names for the method."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        """Return whether the view serves the role."""
        user = request.user
        served: Mapping[str, Collection[Role]] = getattr(view, "serves", {})
        return is_person(user) and role_of(user) in served.get(request.method or "", ())


class StepSchema(ApiSchema):
    """A route of what goes by steps: PUT takes one (201) or had taken it (200), DELETE takes it back."""

    def get_response_serializers(self) -> Any:
        """Return the answers by status and media type, but for the refusals that every route has."""
        shown = getattr(self.view, "answers_with")  # noqa: B009 - each view of this module has it
        if self.method == "DELETE":
            return {200: shown, (409, MEDIA_TYPE): ProblemSerializer}
        return {200: shown, 201: shown} if self.method == "PUT" else {200: shown}

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
