"""Routes of the master data of stock: consumables, places, suppliers and their packs."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet
from django.shortcuts import get_object_or_404
from django_filters import FilterSet

from inventory.models import REAL_KINDS, Consumable, Pack, Place, PlaceKind, Supplier
from shop.api import catalogue_serializers as shapes
from shop.api.catalogue import CatalogueItem, CatalogueList, NameFilters
from shop.api.filters import Choice, Code
from shop.api.lists import own_van_only
from shop.costing.standards import check_start, keep_former_standards, present_standards
from shop.models import Person
from shop.people.permissions import STOCK_READERS, own_van


class ConsumableFilters(NameFilters):
    """Filters by kind and grade, too."""

    kind = Choice(["counted", "measured", "worn"], field_name="kind")
    grade = Code(field_name="grade")


class Consumables(CatalogueList):
    """Consumables, which jobs use."""

    model = Consumable
    serializer_class = shapes.ConsumableSerializer
    filterset_class = ConsumableFilters
    sortable = {"code": ("code",), "name": ("name", "code")}


class ConsumableItem(CatalogueItem):
    """A consumable."""

    list_view = Consumables
    serializer_class = shapes.ConsumableSerializer

    def fill(self, item: Consumable, values: dict[str, Any]) -> None:
        """Set the consumable, and what it should cost from a day on. Raises ValidationError."""
        said = dict(values)
        day = said.pop("standards_from")
        check_start(day)
        before = present_standards(item)
        super().fill(item, said)
        keep_former_standards(item, before, day)


class PlaceFilters(NameFilters):
    """Filters by kind, too."""

    kind = Choice(["depot", "van", "transit"], field_name="kind")


class Places(CatalogueList):
    """Places that hold stock; technicians see depots and their own van."""

    model = Place
    serializer_class = shapes.PlaceSerializer
    filterset_class = PlaceFilters

    def rows(self, person: Person) -> QuerySet[Place]:
        """Return the real places that the person works with."""
        places = Place.objects.filter(kind__in=REAL_KINDS)
        if own_van_only(person):
            own = own_van(person)
            here = own.van.place_id if own else None
            return places.filter(
                Q(kind=PlaceKind.DEPOT) | Q(pk=here) | Q(bound_for=here, kind=PlaceKind.TRANSIT)
            )
        return places


class PlaceItem(CatalogueItem):
    """A place: PUT sets up a depot; vans have a route of their own."""

    list_view = Places
    serializer_class = shapes.PlaceSerializer

    def make(self, named: Mapping[str, str]) -> Place:
        """Return a new depot."""
        return Place(code=named["code"], kind=PlaceKind.DEPOT)

    def fill(self, item: Place, values: dict[str, Any]) -> None:
        """Set a depot's name. Raises ValidationError for any other place."""
        if item.kind != PlaceKind.DEPOT:
            raise ValidationError({"code": f"is a place of kind {item.kind}; depots only are set up here"})
        super().fill(item, values)


class Suppliers(CatalogueList):
    """Suppliers of consumables."""

    readers = STOCK_READERS
    model = Supplier
    serializer_class = shapes.SupplierSerializer


class SupplierItem(CatalogueItem):
    """A supplier."""

    list_view = Suppliers
    serializer_class = shapes.SupplierSerializer


class PackFilters(FilterSet):
    """Filters by supplier and consumable."""

    supplier = Code(field_name="supplier__code")
    consumable = Code(field_name="consumable__code")


class Packs(CatalogueList):
    """The packs that suppliers sell."""

    readers = STOCK_READERS
    model = Pack
    serializer_class = shapes.PackSerializer
    filterset_class = PackFilters
    sortable = {"consumable": ("consumable__code", "supplier__code", "name"), "supplier": ("supplier__code",)}
    default_sort = "consumable"

    def rows(self, person: Person) -> QuerySet[Pack]:  # noqa: ARG002
        """Return all packs."""
        return Pack.objects.select_related("supplier", "consumable")


class PackItem(CatalogueItem):
    """A pack of a supplier."""

    list_view = Packs
    serializer_class = shapes.PackSerializer

    def where(self, named: Mapping[str, str]) -> dict[str, Any]:
        """Find it by supplier, consumable and name."""
        ends = {f"{end}__code": named[end] for end in ("supplier", "consumable")}
        return {**ends, "name": named["name"]}

    def make(self, named: Mapping[str, str]) -> Pack:
        """Return a new pack."""
        supplier = get_object_or_404(Supplier, code=named["supplier"])
        consumable = get_object_or_404(Consumable, code=named["consumable"])
        return Pack(supplier=supplier, consumable=consumable, name=named["name"])

    def fill(self, item: Pack, values: dict[str, Any]) -> None:
        """Set what it holds. Raises ValidationError."""
        if not values["stock_units"]:
            raise ValidationError({"stock_units": "is zero; a pack holds something"})
        super().fill(item, values)
