"""Consumables, their packs and suppliers, and the levels below which they are low."""

from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from inventory.db.fixed_point import FixedPointField
from inventory.models.places import Place
from inventory.models.validators import validate_code, validate_grade, validate_name

# A century: beyond it a day of expiry might lie after the last day that can be written.
LONGEST_SHELF_LIFE_DAYS = 36_500


class ConsumableKind(models.TextChoices):
    """How a consumable is used up."""

    COUNTED = "counted"
    MEASURED = "measured"
    WORN = "worn"


class Consumable(models.Model):
    """Anything that work uses up, kept in one stock unit."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, validators=[validate_name])
    kind = models.CharField(max_length=16, choices=ConsumableKind.choices)
    stock_unit = models.CharField(max_length=16, validators=[validate_code])
    grade = models.CharField(max_length=8, blank=True, validators=[validate_grade])
    life_minutes = FixedPointField(
        null=True,
        blank=True,
        validators=[MinValueValidator(Decimal(1))],
        help_text="working life of one unit; about 10 minutes for a disc is common practice",
    )
    shelf_life_days = models.PositiveIntegerField(
        null=True, blank=True, validators=[MaxValueValidator(LONGEST_SHELF_LIFE_DAYS)]
    )
    standard_cost = FixedPointField(null=True, blank=True, help_text="per stock unit, for variances")

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(condition=Q(kind__in=ConsumableKind.values), name="consumable_kind_known"),
            models.CheckConstraint(
                condition=Q(life_minutes__isnull=True) | Q(life_minutes__gte=1),
                name="consumable_life_a_minute_or_more",
            ),
            models.CheckConstraint(
                condition=~Q(kind="worn") | Q(life_minutes__isnull=False), name="consumable_worn_has_life"
            ),
            models.CheckConstraint(
                condition=Q(standard_cost__isnull=True) | Q(standard_cost__gte=0),
                name="consumable_standard_cost_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def comes_whole(self) -> bool:
        """Whether only whole stock units of it exist: pieces and parts, but no liquid."""
        return self.kind != ConsumableKind.MEASURED

    def whole_problem(self, quantity: Decimal) -> str | None:
        """Return what is wrong with a quantity that is not whole and has to be, or None."""
        if self.comes_whole and quantity.is_finite() and quantity != quantity.to_integral_value():
            return f"is not whole; {self} is {self.kind}"
        return None

    def clean(self) -> None:
        """Refuse a worn consumable without a life, and a change of what past costs rest on."""
        if self.kind == ConsumableKind.WORN and self.life_minutes is None:
            raise ValidationError({"life_minutes": "a worn consumable needs its working life in minutes"})
        if self.pk and self.movements.exists():
            before = Consumable.objects.get(pk=self.pk)
            if (before.kind, before.stock_unit) != (self.kind, self.stock_unit):
                raise ValidationError("kind and stock unit stay as they are once stock has moved")
            if self.kind == ConsumableKind.WORN and before.life_minutes != self.life_minutes:
                raise ValidationError(
                    {"life_minutes": "wear was charged by this life; add a consumable of its own for another"}
                )


class Supplier(models.Model):
    """Who sells consumables."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, blank=True, validators=[validate_name])
    email = models.EmailField(blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class Pack(models.Model):
    """What a supplier sells of a consumable: 1 box = 25 each, 1 bottle = 1000 ml."""

    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="packs")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="packs")
    name = models.CharField(max_length=64, validators=[validate_name])
    stock_units = FixedPointField(help_text="stock units in one pack")

    class Meta:
        ordering = ["consumable__code", "supplier__code", "name"]
        constraints = [
            models.UniqueConstraint(fields=["supplier", "consumable", "name"], name="pack_once"),
            models.CheckConstraint(condition=Q(stock_units__gt=0), name="pack_holds_something"),
        ]

    def __str__(self) -> str:
        return f"{self.name} of {self.stock_units:f} {self.consumable}"


class LowLevel(models.Model):
    """The level under which a place is low on a consumable."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="low_levels")
    consumable = models.ForeignKey(Consumable, on_delete=models.CASCADE, related_name="low_levels")
    quantity = FixedPointField()

    class Meta:
        ordering = ["place__code", "consumable__code"]
        constraints = [
            models.UniqueConstraint(fields=["place", "consumable"], name="low_level_once"),
            models.CheckConstraint(condition=Q(quantity__gte=0), name="low_level_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place}: {self.quantity:f}"
