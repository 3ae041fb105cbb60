"""The shop itself and its clocks."""

from datetime import date, datetime, time, tzinfo
from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import Q

from inventory.db.fixed_point import FixedPointField
from inventory.models import Books, validate_name
from shop.common.amounts import LengthUnit

# A rate that was always in force.
BEGINNING = date(1900, 1, 1)


NOT_NEGATIVE = MinValueValidator(Decimal(0))


class Shop(models.Model):
    """The one business of a deployment. Its clocks and its currency's digits are those of the books."""

    name = models.CharField(max_length=200, default="Our shop", validators=[validate_name])
    currency = models.CharField(
        max_length=3,
        default="EUR",
        validators=[RegexValidator(r"^[A-Z]{3}$", "give the three capital letters of ISO 4217, such as EUR")],
    )
    target_margin_percent = FixedPointField(
        default=Decimal(30), validators=[NOT_NEGATIVE, MaxValueValidator(Decimal(100))]
    )
    length_unit = models.CharField(max_length=2, choices=LengthUnit.choices, default=LengthUnit.MILLIMETRES)
    books = models.OneToOneField(Books, default=1, editable=False, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(pk=1), name="shop_once")]

    def __str__(self) -> str:
        return self.name

    @property
    def time_zone(self) -> str:
        """The name of the shop's time zone, kept with the books."""
        return str(self.books.time_zone)

    @property
    def zone(self) -> tzinfo:
        """The shop's time zone."""
        return self.books.zone


def the_shop() -> Shop:
    """Return the one shop, with its books."""
    return Shop.objects.select_related("books").get(pk=1)


def in_shop_zone(moment: datetime, shop: Shop) -> datetime:
    """Return a moment as the shop's clocks show it."""
    return moment.astimezone(shop.zone)


def start_of_day(day: date) -> datetime:
    """Return the moment at which a day begins on the shop's clocks."""
    return datetime.combine(day, time.min, tzinfo=the_shop().zone)


def on_shop_clocks(moment: datetime) -> str:
    """Return a moment to the minute as the shop's clocks show it."""
    return f"{in_shop_zone(moment, the_shop()):%Y-%m-%d %H:%M}"
