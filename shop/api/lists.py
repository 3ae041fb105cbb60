"""What all lists of the API share: who may read them, filters, sorting, pages."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from django.db.models import Model, QuerySet
from rest_framework.generics import ListAPIView
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.views import APIView

from shop.api.filters import Sorting, StrictFilters
from shop.api.pagination import Pages
from shop.api.permissions import MethodsFirst
from shop.api.views import person_of_request
from shop.models import Person, Role
from shop.people.permissions import is_person, role_of

if TYPE_CHECKING:
    ListBase = ListAPIView[Any]
else:
    ListBase = ListAPIView

OFFICE = frozenset({Role.OWNER, Role.ACCOUNTANT})
JOB_READERS = frozenset({Role.TECHNICIAN, Role.OWNER, Role.ACCOUNTANT})
OWNERS = frozenset({Role.OWNER})


class RoleMay(BasePermission):
    """Allows the roles that the view names: `readers` by GET and HEAD, `writers` by PUT and POST."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        """Return whether the method allows the person's role."""
        user = request.user
        if not is_person(user):
            return False
        name = "readers" if request.method in ("GET", "HEAD") else "writers"
        return role_of(user) in getattr(view, name, frozenset())


class RowList(MethodsFirst, ListBase):
    """A list in pages. A view sets who reads it (`readers`), how it sorts, and its `rows`."""

    readers: ClassVar[frozenset[Role]] = OWNERS
    sortable: ClassVar[dict[str, tuple[str, ...]]]
    default_sort: ClassVar[str]
    model: ClassVar[type[Model]]
    permission_classes = [RoleMay]
    filter_backends = [StrictFilters, Sorting]
    pagination_class = Pages
    http_method_names: Sequence[str] = ["get", "head"]

    def rows(self, person: Person) -> QuerySet[Any]:
        """Return what a person may read."""
        raise NotImplementedError

    def get_queryset(self) -> QuerySet[Any]:
        """Return what the person may read."""
        if getattr(self, "swagger_fake_view", False):
            return self.model._default_manager.none()
        return self.rows(person_of_request(self.request))


def own_van_only(person: Person) -> bool:
    """Return whether a person reads only their own van and jobs."""
    return role_of(person) == Role.TECHNICIAN
