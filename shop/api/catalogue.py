"""What the routes of master data share: lists for the roles that use it, PUT by code for owners.

PUT gives a whole record: a field that is left out takes its default. Sending the same again changes nothing.
"""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model, Q, QuerySet
from django.shortcuts import get_object_or_404
from django_filters import FilterSet
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.ledger import once_more_if_raced
from shop.api.catalogue_serializers import CatalogueShape
from shop.api.filters import Code
from shop.api.item_views import ItemView, problems_of
from shop.api.lists import RowList
from shop.api.problems import Malformed
from shop.api.schema import ItemSchema
from shop.api.serializers import read_values
from shop.api.views import person_of_request
from shop.models import Person, Role
from shop.people.admin_log import note_change
from shop.people.permissions import EVERYONE

BY_CODE: dict[str, tuple[str, ...]] = {"code": ("code",)}


class NameFilters(FilterSet):
    """Filters by a part of the code or name."""

    q = Code(method="holding", help_text="a part of the code or name")

    def holding(self, rows: QuerySet[Any], _name: str, text: str) -> QuerySet[Any]:
        """Return the rows whose code or name contains a text."""
        return rows.filter(Q(code__icontains=text) | Q(name__icontains=text)) if text else rows


class CatalogueList(RowList):
    """Master data of one kind."""

    readers = EVERYONE
    filterset_class: ClassVar[type[FilterSet] | None] = NameFilters
    sortable: ClassVar[dict[str, tuple[str, ...]]] = BY_CODE
    default_sort = "code"

    def rows(self, person: Person) -> QuerySet[Any]:  # noqa: ARG002 - other lists depend on the person
        """Return all of them."""
        return self.model._default_manager.all()


class CatalogueItem(ItemView):
    """A record of master data: GET shows it, PUT creates or changes it."""

    list_view: ClassVar[type[CatalogueList]]
    serializer_class: ClassVar[type[CatalogueShape]]
    schema = ItemSchema()

    @property
    def readers(self) -> frozenset[Role]:
        """The roles that read the list."""
        return self.list_view.readers

    def get(self, request: Request, **named: str) -> Response:
        """Show the record."""
        rows = self.list_view().rows(person_of_request(request))
        return Response(self.shown(get_object_or_404(rows, **self.where(named)), request))

    def put(self, request: Request, **named: str) -> Response:
        """Create the record, or change it to what the body says."""
        values = read_values(self.serializer_class, request.data, same=named)
        person = person_of_request(request)
        item, created = once_more_if_raced(lambda: self._put(request, person, named, values))
        return Response(self.shown(item, request), status=201 if created else 200)

    def shown(self, item: Model, request: Request) -> Any:
        """Return the record as the person may see it."""
        return self.serializer_class(item, context={"request": request}).data

    def where(self, named: Mapping[str, str]) -> dict[str, Any]:
        """Return the lookup that finds the record."""
        return dict(named)

    def make(self, named: Mapping[str, str]) -> Model:
        """Return a new, unsaved record. Raises Http404 when the record it belongs to does not exist."""
        return self.list_view.model(**self.where(named))

    def fill(self, item: Any, values: dict[str, Any]) -> None:
        """Set the values, check them by the model's own rules, and save. Raises ValidationError."""
        for name, value in values.items():
            setattr(item, name, value)
        # An existing code stays, even where the rule for new ones would refuse it.
        item.full_clean(exclude=() if item._state.adding else ("code",))
        item.save()

    @transaction.atomic
    def _put(
        self, request: Request, person: Person, named: Mapping[str, str], values: dict[str, Any]
    ) -> tuple[Model, bool]:
        rows = self.list_view.model._default_manager.select_for_update(of=("self",))
        item = rows.filter(**self.where(named)).first()
        created = item is None
        item = item or self.make(named)
        before = None if created else self.shown(item, request)
        try:
            self.fill(item, values)
        except ValidationError as error:
            raise Malformed(problems_of(error, {**values, **named})) from error
        if before != self.shown(item, request):
            note_change(person, item, "by the API", added=created)
        return item, created
