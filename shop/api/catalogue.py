"""Routes of what is set up: lists for the people who work with it, PUT by code for owners.

PUT gives the whole of one thing: what is left out takes its default. The same again changes nothing.
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
from inventory.models import REAL_KINDS, Consumable, Pack, Place, PlaceKind, Supplier
from shop.api import catalogue_serializers as shapes
from shop.api.filters import Choice, Code
from shop.api.item_views import ItemView, problems_of
from shop.api.lists import (
    EVERYONE,
    OFFICE,
    STOCK_READERS,
    RowList,
    own_van_only,
)
from shop.api.problems import Malformed
from shop.api.schema import ItemSchema
from shop.api.serializers import read_values
from shop.api.views import person_of_request
from shop.models import (
    Customer,
    DamageType,
    GlassType,
    JobType,
    Person,
    Role,
    Site,
    StandardUse,
    Technician,
    Van,
)
from shop.people.admin_log import note_change
from shop.people.permissions import own_van

BY_CODE: dict[str, tuple[str, ...]] = {"code": ("code",)}


class NameFilters(FilterSet):
    """By a part of the code or name."""

    q = Code(method="holding", help_text="a part of the code or name")

    def holding(self, rows: QuerySet[Any], _name: str, text: str) -> QuerySet[Any]:
        """Return the rows whose code or name holds a text."""
        return rows.filter(Q(code__icontains=text) | Q(name__icontains=text)) if text else rows


class CatalogueList(RowList):
    """Things of one kind that are set up."""

    readers = EVERYONE
    filterset_class: ClassVar[type[FilterSet] | None] = NameFilters
    sortable: ClassVar[dict[str, tuple[str, ...]]] = BY_CODE
    default_sort = "code"

    def rows(self, person: Person) -> QuerySet[Any]:  # noqa: ARG002 - others ask who it is
        """Return all of them."""
        return self.model._default_manager.all()


class CatalogueItem(ItemView):
    """One thing that is set up: GET shows it, PUT makes or changes it."""

    list_view: ClassVar[type[CatalogueList]]
    serializer_class: ClassVar[type[shapes.CatalogueShape]]
    schema = ItemSchema()

    @property
    def readers(self) -> frozenset[Role]:
        """Who reads the list reads each of it."""
        return self.list_view.readers

    def get(self, request: Request, **named: str) -> Response:
        """Show it."""
        rows = self.list_view().rows(person_of_request(request))
        return Response(self.shown(get_object_or_404(rows, **self.where(named)), request))

    def put(self, request: Request, **named: str) -> Response:
        """Make it, or change it to what the body says."""
        values = read_values(self.serializer_class, request.data, same=named)
        person = person_of_request(request)
        item, created = once_more_if_raced(lambda: self._put(request, person, named, values))
        return Response(self.shown(item, request), status=201 if created else 200)

    def shown(self, item: Model, request: Request) -> Any:
        """Return it as the person who asks may see it."""
        return self.serializer_class(item, context={"request": request}).data

    def where(self, named: Mapping[str, str]) -> dict[str, Any]:
        """Return what finds it among the rows."""
        return dict(named)

    def make(self, named: Mapping[str, str]) -> Model:
        """Return a new one, unsaved. Raises Http404 when what it belongs to is not there."""
        return self.list_view.model(**self.where(named))

    def fill(self, item: Any, values: dict[str, Any]) -> None:
        """Set the values, check them by the model's own rules, and save. Raises ValidationError."""
        for name, value in values.items():
            setattr(item, name, value)
        # The code of what is there stays, whatever the rule for new ones says.
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


class ConsumableFilters(NameFilters):
    """By kind and grade, too."""

    kind = Choice(["counted", "measured", "worn"], field_name="kind")
    grade = Code(field_name="grade")


class Consumables(CatalogueList):
    """What work uses up."""

    model = Consumable
    serializer_class = shapes.ConsumableSerializer
    filterset_class = ConsumableFilters
    sortable = {"code": ("code",), "name": ("name", "code")}


class ConsumableItem(CatalogueItem):
    """A consumable."""

    list_view = Consumables
    serializer_class = shapes.ConsumableSerializer


class PlaceFilters(NameFilters):
    """By kind, too."""

    kind = Choice(["depot", "van", "transit"], field_name="kind")


class Places(CatalogueList):
    """Where stock is held; a technician sees depots and the own van."""

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
    """A depot to set up; vans are set up as vans."""

    list_view = Places
    serializer_class = shapes.PlaceSerializer

    def make(self, named: Mapping[str, str]) -> Place:
        """Return a new depot."""
        return Place(code=named["code"], kind=PlaceKind.DEPOT)

    def fill(self, item: Place, values: dict[str, Any]) -> None:
        """Name a depot. Raises ValidationError for any other place."""
        if item.kind != PlaceKind.DEPOT:
            raise ValidationError({"code": f"is a place of kind {item.kind}; depots only are set up here"})
        super().fill(item, values)


class Vans(CatalogueList):
    """Vans; a technician sees the own one."""

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
        """Return a new van; its place is made with it."""
        place = Place.objects.filter(code=named["code"]).first()
        return Van(place=place or Place(code=named["code"], kind=PlaceKind.VAN))

    def fill(self, item: Van, values: dict[str, Any]) -> None:
        """Set the van and the name of its place. Raises ValidationError."""
        place = item.place
        if place.kind != PlaceKind.VAN:
            raise ValidationError({"code": f"is a place of kind {place.kind}, no van"})
        place.name = values.get("place", {}).get("name", "")
        place.full_clean(exclude=() if place._state.adding else ("code",))
        place.save()
        item.place = place
        super().fill(item, {"registration": values["registration"]})


class Suppliers(CatalogueList):
    """Who sells consumables."""

    readers = STOCK_READERS
    model = Supplier
    serializer_class = shapes.SupplierSerializer


class SupplierItem(CatalogueItem):
    """A supplier."""

    list_view = Suppliers
    serializer_class = shapes.SupplierSerializer


class PackFilters(FilterSet):
    """By supplier and consumable."""

    supplier = Code(field_name="supplier__code")
    consumable = Code(field_name="consumable__code")


class Packs(CatalogueList):
    """What suppliers sell."""

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
        """Find it by whose, of what and its name."""
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


class Customers(CatalogueList):
    """Who pays for jobs."""

    readers = OFFICE
    model = Customer
    serializer_class = shapes.CustomerSerializer
    sortable = {"code": ("code",), "name": ("name", "code")}


class CustomerItem(CatalogueItem):
    """A customer."""

    list_view = Customers
    serializer_class = shapes.CustomerSerializer


class SiteFilters(FilterSet):
    """By customer."""

    customer = Code(field_name="customer__code")


class Sites(CatalogueList):
    """Where customers' glass is."""

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
        """Find it by whose it is and its name."""
        return {"customer__code": named["customer"], "name": named["name"]}

    def make(self, named: Mapping[str, str]) -> Site:
        """Return a new site."""
        return Site(customer=get_object_or_404(Customer, code=named["customer"]), name=named["name"])


class Technicians(CatalogueList):
    """Who repairs glass."""

    readers = STOCK_READERS
    model = Technician
    serializer_class = shapes.TechnicianSerializer

    def rows(self, person: Person) -> QuerySet[Technician]:  # noqa: ARG002
        """Return all technicians."""
        return Technician.objects.select_related("van__place", "person")


class TechnicianItem(CatalogueItem):
    """A technician; the people pages set who signs in as one."""

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
        """Return all services with what they should take."""
        return JobType.objects.prefetch_related("standard_uses__consumable")


class JobTypeItem(CatalogueItem):
    """A service and what it should take."""

    list_view = JobTypes
    serializer_class = shapes.JobTypeSerializer

    def fill(self, item: JobType, values: dict[str, Any]) -> None:
        """Set the service, and put its standard in the place of the one before. Raises ValidationError."""
        uses = values.pop("standard_uses")
        codes = [use["consumable"].code for use in uses]
        if twice := next((code for code in codes if codes.count(code) > 1), None):
            raise ValidationError({"standard_uses": f"hold {twice} twice; add them up"})
        super().fill(item, values)
        item.standard_uses.all().delete()
        StandardUse.objects.bulk_create(StandardUse(job_type=item, **use) for use in uses)
