"""Routes of the master data of jobs: vans, technicians, customers, kinds of damage and glass, services."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django_filters import FilterSet

from inventory.models import Place, PlaceKind
from shop.api import catalogue_serializers as shapes
from shop.api.catalogue import CatalogueItem, CatalogueList
from shop.api.filters import Code
from shop.api.lists import OFFICE, own_van_only
from shop.costing.standards import check_start, keep_former_standards, present_standards
from shop.models import (
    Customer,
    DamageType,
    GlassType,
    JobType,
    Person,
    Site,
    StandardUse,
    Technician,
    Van,
)
from shop.people.permissions import STOCK_READERS, own_van


class Vans(CatalogueList):
    """Vans; technicians see only their own."""

    model = Van
    serializer_class = shapes.VanSerializer
    filterset_class = None
    sortable = {"code": ("place__code",)}

    def rows(self, person: Person) -> QuerySet[Van]:
        """Return the vans that the person works with."""
        vans = Van.objects.select_related("place")
        if own_van_only(person):
            own = own_van(person)
            return vans.filter(pk=own.van.pk) if own else vans.none()
        return vans


class VanItem(CatalogueItem):
    """A van and its place."""

    list_view = Vans
    serializer_class = shapes.VanSerializer

    def where(self, named: Mapping[str, str]) -> dict[str, Any]:
        """Find it by its place."""
        return {"place__code": named["code"]}

    def make(self, named: Mapping[str, str]) -> Van:
        """Return a new van; its place is created with it."""
        place = Place.objects.filter(code=named["code"]).first()
        return Van(place=place or Place(code=named["code"], kind=PlaceKind.VAN))

    def fill(self, item: Van, values: dict[str, Any]) -> None:
        """Set the van and the name of its place. Raises ValidationError."""
        place = item.place
        if place.kind != PlaceKind.VAN:
            raise ValidationError({"code": f"is a place of kind {place.kind}, not a van"})
        place.name = values.get("place", {}).get("name", "")
        place.full_clean(exclude=() if place._state.adding else ("code",))
        place.save()
        item.place = place
        super().fill(item, {"registration": values["registration"]})


class Customers(CatalogueList):
    """Customers, who pay for jobs."""

    readers = OFFICE
    model = Customer
    serializer_class = shapes.CustomerSerializer
    sortable = {"code": ("code",), "name": ("name", "code")}


class CustomerItem(CatalogueItem):
    """A customer."""

    list_view = Customers
    serializer_class = shapes.CustomerSerializer


class SiteFilters(FilterSet):
    """Filters by customer."""

    customer = Code(field_name="customer__code")


class Sites(CatalogueList):
    """Customers' sites, where the glass is."""

    readers = OFFICE
    model = Site
    serializer_class = shapes.SiteSerializer
    filterset_class = SiteFilters
    sortable = {"customer": ("customer__code", "name"), "name": ("name",)}
    default_sort = "customer"

    def rows(self, person: Person) -> QuerySet[Site]:  # noqa: ARG002
        """Return all sites."""
        return Site.objects.select_related("customer")


class SiteItem(CatalogueItem):
    """A site of a customer."""

    list_view = Sites
    serializer_class = shapes.SiteSerializer

    def where(self, named: Mapping[str, str]) -> dict[str, Any]:
        """Find it by its customer and its name."""
        return {"customer__code": named["customer"], "name": named["name"]}

    def make(self, named: Mapping[str, str]) -> Site:
        """Return a new site."""
        return Site(customer=get_object_or_404(Customer, code=named["customer"]), name=named["name"])


class Technicians(CatalogueList):
    """Technicians, who repair glass."""

    readers = STOCK_READERS
    model = Technician
    serializer_class = shapes.TechnicianSerializer

    def rows(self, person: Person) -> QuerySet[Technician]:  # noqa: ARG002
        """Return all technicians."""
        return Technician.objects.select_related("van__place", "person")


class TechnicianItem(CatalogueItem):
    """A technician. Who signs in as a technician is set on the people pages."""

    list_view = Technicians
    serializer_class = shapes.TechnicianSerializer


class DamageTypes(CatalogueList):
    """Kinds of damage."""

    model = DamageType
    serializer_class = shapes.DamageTypeSerializer
    filterset_class = None


class DamageTypeItem(CatalogueItem):
    """A kind of damage."""

    list_view = DamageTypes
    serializer_class = shapes.DamageTypeSerializer


class GlassTypes(CatalogueList):
    """Kinds of glass."""

    model = GlassType
    serializer_class = shapes.GlassTypeSerializer
    filterset_class = None


class GlassTypeItem(CatalogueItem):
    """A kind of glass."""

    list_view = GlassTypes
    serializer_class = shapes.GlassTypeSerializer


class JobTypes(CatalogueList):
    """Priced services."""

    model = JobType
    serializer_class = shapes.JobTypeSerializer

    def rows(self, person: Person) -> QuerySet[JobType]:  # noqa: ARG002
        """Return all services with their standard uses."""
        return JobType.objects.prefetch_related("standard_uses__consumable")


class JobTypeItem(CatalogueItem):
    """A service and its standard uses."""

    list_view = JobTypes
    serializer_class = shapes.JobTypeSerializer

    def fill(self, item: JobType, values: dict[str, Any]) -> None:
        """Set the service, and replace its standard uses. Raises ValidationError."""
        said = dict(values)
        uses, day = said.pop("standard_uses"), said.pop("standards_from")
        check_start(day)
        codes = [use["consumable"].code for use in uses]
        if twice := next((code for code in codes if codes.count(code) > 1), None):
            raise ValidationError({"standard_uses": f"name {twice} twice; add the quantities up"})
        before = present_standards(item)
        super().fill(item, said)
        item.standard_uses.all().delete()
        StandardUse.objects.bulk_create(StandardUse(job_type=item, **use) for use in uses)
        keep_former_standards(item, before, day)
