"""The common part of the routes of restocks and purchases: roles, steps, schema and amounts."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar

from django.db.models import Model
from django.http import Http404
from django.utils import timezone
from rest_framework import serializers, status
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from forecasting.workflow import Done, StepConflict, StepRefused
from inventory.ledger import Conflict
from shop.api.problems import MEDIA_TYPE, Malformed, ProblemSerializer
from shop.api.schema import ApiSchema
from shop.api.serializers import ShapeSerializer, read_document
from shop.common.text import exact
from shop.models import Person, Role
from shop.people.permissions import is_person, role_of

Row = TypeVar("Row", bound=Model)
Key = int | str


class AmountField(serializers.DecimalField):
    """An exact number as a string."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_digits=19, decimal_places=4, **kwargs)

    def to_representation(self, value: Any) -> str:
        """Return it in plain digits, without zeros at the end."""
        return exact(value)


class AmountsSerializer(serializers.ModelSerializer[Row]):
    """A row of which every amount is shown alike."""

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        """Show an amount as an exact number."""
        class_, options = super().build_standard_field(field_name, model_field)
        if class_ is serializers.DecimalField:
            return AmountField, {"help_text": model_field.help_text, "allow_null": model_field.null}
        return class_, options


class ServesRoles(BasePermission):
    """Lets in the roles that the view names for the method."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        """Return whether the view serves the role."""
        user = request.user
        served: Mapping[str, Collection[Role]] = getattr(view, "serves", {})
        return is_person(user) and role_of(user) in served.get(request.method or "", ())


class StepSchema(ApiSchema):
    """A route of a workflow: PUT takes one (201) or had taken it (200), DELETE takes it back."""

    def get_response_serializers(self) -> Any:
        """Return the answers by status and media type, except the refusals that every route has."""
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


@dataclass(frozen=True, slots=True)
class NothingSaid:
    """A step of the order of this id or number, and no more."""

    id: str


class NothingSerializer(ShapeSerializer):
    """A step that says nothing more."""

    makes = NothingSaid


class StepView(ServedView):
    """A step of an order: PUT takes it, DELETE takes it back where that can be.

    The route names the order by one thing, its id or its number. What a step says and shows is the view's.
    """

    serializer_class: ClassVar[type[ShapeSerializer]]
    sent_as: ClassVar[type[Any]]
    take: ClassVar[Callable[..., Done[Any]]]
    back: ClassVar[Callable[..., Done[Any]]]

    def found(self, request: Request, key: Key) -> Any:
        """Return the order as it is now. Raises Http404 for one that the person may not see."""
        raise NotImplementedError

    def put(self, request: Request, **named: Key) -> Response:
        """Take the step, once however often it is sent."""
        (key,) = named.values()
        order = self.found(request, key)
        said = read_document(self.serializer_class, str(key), request.data)
        return self.answer(request, key, lambda who: self.do(order, said, who))

    def delete(self, request: Request, **named: Key) -> Response:
        """Take the step back."""
        (key,) = named.values()
        order = self.found(request, key)
        back = type(self).back
        return self.answer(request, key, lambda who: back(order.pk, **who), new=status.HTTP_200_OK)

    def do(self, order: Any, said: Any, who: Mapping[str, Any]) -> Done[Any]:  # noqa: ARG002
        """Take a step that the body says nothing about."""
        return type(self).take(order.pk, **who)

    def answer(
        self,
        request: Request,
        key: Key,
        step: Callable[[Mapping[str, Any]], Done[Any]],
        new: int = status.HTTP_201_CREATED,
    ) -> Response:
        """Return the order after a step. Raises what the problem handler knows."""
        try:
            done = step({"by": asking(request).get_username(), "now": timezone.now()})
        except StepConflict as conflict:
            sent = self.sent_as(str(key))
            raise Conflict([(sent, problem) for problem in conflict.problems]) from conflict
        except StepRefused as refused:
            raise Malformed(refused.problems) from refused
        shown = self.answers_with(self.found(request, key), context={"request": request}).data
        return Response(shown, status=new if done.changed else status.HTTP_200_OK)


def asking(request: Request) -> Person:
    """Return who asks. Raises Http404 for anyone whom no role lets in."""
    if not is_person(request.user):
        raise Http404
    return request.user
