"""Master data as JSON: consumables, places, suppliers, customers, technicians and kinds of work."""

from decimal import Decimal
from typing import Any, ClassVar

from django.db.models import Model
from rest_framework import serializers

from inventory.documents import LONGEST_CODE, money_problem, quantity_problem, text_problem
from inventory.models import Consumable, ConsumableKind, PlaceKind
from shop.api.fields import FlagField, NumberField, OfCosts, TextField
from shop.api.serializers import LIST_MESSAGES, ShapeSerializer
from shop.costing.standards import FROM_HELP
from shop.models import Van


class QuantityField(NumberField):
    """A quantity or a number of minutes, zero or more."""

    def to_internal_value(self, data: Any) -> Any:
        """Return the Decimal."""
        quantity = super().to_internal_value(data)
        if found := quantity_problem(quantity, zero=True):
            raise serializers.ValidationError(found)
        return quantity


class PriceField(NumberField):
    """An amount of money net of tax, zero or more."""

    def to_internal_value(self, data: Any) -> Any:
        """Return the Decimal."""
        amount = super().to_internal_value(data)
        if found := money_problem(amount):
            raise serializers.ValidationError(found)
        return amount


class CostField(OfCosts, PriceField):
    """What something costs the shop."""


class WholeField(serializers.IntegerField):
    """A whole number of days."""

    default_error_messages = {"invalid": "is not a whole number", "null": "is null"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(min_value=0, max_value=100_000, **kwargs)

    def to_internal_value(self, data: Any) -> int:
        """Return the number; true and "5" are refused."""
        if isinstance(data, bool) or not isinstance(data, int):
            self.fail("invalid")
        return super().to_internal_value(data)


class CodeOf(TextField):
    """The code of a record of master data; read as that record."""

    default_error_messages = {"unknown": "is not known; set it up first"}

    def __init__(self, model: type[Model], path: str = "code", **kwargs: Any) -> None:
        self.model, self.path = model, path
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> Any:
        """Return the row."""
        code = super().to_internal_value(data)
        found = None
        if not text_problem(code, LONGEST_CODE):
            found = self.model._default_manager.filter(**{self.path: code}).first()
        if found is None:
            self.fail("unknown")
        return found

    def to_representation(self, value: Any) -> str:
        """Return the code."""
        return str(value.code)


class StandardsFromField(serializers.DateField):
    """The day from which the standards of a body count."""

    default_error_messages = {"invalid": "is not a day such as 2026-12-31"}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            default=None,
            allow_null=True,
            write_only=True,
            input_formats=["%Y-%m-%d"],
            help_text=FROM_HELP,
            **kwargs,
        )


class CatalogueShape(ShapeSerializer):
    """A record of master data. The body may repeat what the address says, if it is the same."""

    makes: ClassVar[type[Any]] = dict


class ConsumableSerializer(CatalogueShape):
    """Something that jobs use."""

    code = TextField(read_only=True)
    name = TextField()
    kind = serializers.ChoiceField(choices=ConsumableKind.choices)
    stock_unit = TextField(help_text="such as each, ml, g")
    grade = TextField(default="", help_text="P-grade of ISO 6344, or empty")
    life_minutes = QuantityField(default=None, allow_null=True, help_text="working life of one unit")
    shelf_life_days = WholeField(default=None, allow_null=True)
    standard_cost = CostField(
        default=None,
        allow_null=True,
        help_text="per stock unit, for variances; null: none is set, or you may not see it",
    )
    standards_from = StandardsFromField()


class PlaceSerializer(CatalogueShape):
    """A place that holds stock."""

    code = TextField(read_only=True)
    name = TextField(default="")
    kind = serializers.ChoiceField(
        choices=[PlaceKind.DEPOT, PlaceKind.VAN, PlaceKind.TRANSIT],
        read_only=True,
        help_text="vans are set up under vans/; transit: on the way to a van",
    )


class SupplierSerializer(CatalogueShape):
    """A supplier of consumables."""

    code = TextField(read_only=True)
    name = TextField(default="")
    email = TextField(default="")


class PackSerializer(CatalogueShape):
    """A pack in which a supplier sells a consumable."""

    supplier = TextField(source="supplier.code", read_only=True)
    consumable = TextField(source="consumable.code", read_only=True)
    name = TextField(read_only=True)
    stock_units = QuantityField(help_text="stock units in one pack")


class CustomerSerializer(CatalogueShape):
    """A customer, who pays for jobs."""

    code = TextField(read_only=True)
    name = TextField()
    email = TextField(default="")
    phone = TextField(default="")


class SiteSerializer(CatalogueShape):
    """A customer's site, where the glass is."""

    customer = TextField(source="customer.code", read_only=True)
    name = TextField(read_only=True)
    address = TextField(default="")


class VanSerializer(CatalogueShape):
    """A van; its stock is at the place of the same code."""

    code = TextField(read_only=True)
    name = TextField(source="place.name", default="")
    registration = TextField(default="")


class TechnicianSerializer(CatalogueShape):
    """A technician, who repairs glass."""

    code = TextField(read_only=True)
    name = TextField(default="")
    van = CodeOf(Van, "place__code", default=None, allow_null=True, help_text="the van today")
    person = TextField(
        source="person.username", read_only=True, allow_null=True, help_text="who signs in as this technician"
    )


class DamageTypeSerializer(CatalogueShape):
    """A kind of damage."""

    code = TextField(read_only=True)


class GlassTypeSerializer(CatalogueShape):
    """A kind of glass."""

    code = TextField(read_only=True)
    caution = TextField(default="", help_text="shown with jobs on this glass")


class StandardUseSerializer(CatalogueShape):
    """The standard use of one consumable by a job type."""

    consumable = CodeOf(Consumable)
    quantity = QuantityField()
    minutes = QuantityField(default=Decimal(0))
    finishing = FlagField(default=False, help_text="a last step: without it the glass is not clear")


class JobTypeSerializer(CatalogueShape):
    """A priced service with its standard uses."""

    code = TextField(read_only=True)
    name = TextField(default="")
    list_price = PriceField(default=Decimal(0), help_text="net of tax")
    standard_minutes = QuantityField(default=Decimal(0))
    standard_uses = StandardUseSerializer(many=True, default=list, error_messages=LIST_MESSAGES)
    standards_from = StandardsFromField()
