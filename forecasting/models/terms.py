"""Stocking terms: service levels, room in the vans, and what suppliers sell and when."""

from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from forecasting.email_addresses import validate_addresses
from forecasting.schedule import Timetable
from inventory.db.fixed_point import FixedPointField
from inventory.models import REAL_KINDS, Consumable, Pack, Place, PlaceKind, Supplier
from shop.common.text import exact
from shop.models import NOT_NEGATIVE, the_shop

LEAST_SERVICE, MOST_SERVICE = Decimal("0.5"), Decimal("0.999")
SERVICE = [
    MinValueValidator(
        LEAST_SERVICE,
        f"%(show_value)s is under {LEAST_SERVICE}: stock that more often runs out than lasts serves nobody",
    ),
    MaxValueValidator(MOST_SERVICE, f"%(show_value)s is above {MOST_SERVICE}: no stock is certain to last"),
]
NOT_BELOW_NOTHING = MinValueValidator(Decimal(0), "%(show_value)s is negative; give 0 or more")
A_PRICE = MinValueValidator(Decimal("0.0001"), "%(show_value)s is not a price; give what a pack costs")
SHARE = [
    MinValueValidator(Decimal("0.01"), "%(show_value)s is under 0.01; give a share such as 0.8"),
    MaxValueValidator(Decimal("0.99"), "%(show_value)s is above 0.99; give a share such as 0.8"),
]
A_YEAR_DAYS = 366


def _service_field(default: str | None = None) -> FixedPointField:
    return FixedPointField(
        null=default is None,
        blank=default is None,
        default=None if default is None else Decimal(default),
        validators=SERVICE,
        help_text="chance that the stock lasts until the next chance to restock",
    )


class ServiceClass(models.TextChoices):
    """What a consumable is held as: what stops a job first, then by share of the value used (ABC)."""

    STOPS_A_JOB = "stops a job"
    A = "A"
    B = "B"
    C = "C"


class StockingTerms(models.Model):
    """How the shop restocks; one row, made by the first migration."""

    review_days = models.PositiveSmallIntegerField(
        default=7, validators=[MinValueValidator(1), MaxValueValidator(A_YEAR_DAYS)]
    )
    van_lead_days = models.PositiveSmallIntegerField(
        default=2,
        validators=[
            MinValueValidator(
                0, "%(show_value)s is negative; give 0 when the van is filled on the day of the draft"
            ),
            MaxValueValidator(A_YEAR_DAYS),
        ],
        help_text="from the weekly draft to the stock being on the van",
    )
    service_stops_a_job = _service_field("0.98")
    service_a = _service_field("0.95")
    service_b = _service_field("0.92")
    service_c = _service_field("0.9")
    service_depot = _service_field("0.95")
    a_share = FixedPointField(
        default=Decimal("0.8"),
        validators=SHARE,
        help_text="class A makes up this share of the value used in a year",
    )
    b_share = FixedPointField(
        default=Decimal("0.95"), validators=SHARE, help_text="classes A and B together make up this share"
    )
    restock_from = models.ForeignKey(
        Place,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        limit_choices_to={"kind": PlaceKind.DEPOT},
        help_text="the depot that fills the vans; empty: the only one",
    )
    letter_weekday = models.PositiveSmallIntegerField(
        default=1, validators=[MinValueValidator(1), MaxValueValidator(7)], help_text="ISO 8601: 1 is Monday"
    )
    letter_time = models.TimeField(default="06:00", help_text="on the shop's clocks")
    cover_days_after_top_up = models.PositiveSmallIntegerField(
        default=28,
        validators=[MinValueValidator(1), MaxValueValidator(A_YEAR_DAYS)],
        help_text="an order too small for its supplier is topped up to at most this cover",
    )
    holding_rate = FixedPointField(
        default=Decimal("0.25"),
        validators=[
            MinValueValidator(Decimal("0.01"), "%(show_value)s is under 0.01; give a share such as 0.25"),
            MaxValueValidator(Decimal(1), "%(show_value)s is above 1; give a share such as 0.25"),
        ],
        help_text="what keeping stock for a year costs, as a share of its price (0.25: common practice)",
    )
    restock_emails = models.TextField(
        blank=True,
        validators=[validate_addresses],
        help_text="who gets every van's list besides its technicians, separated by commas",
    )

    class Meta:
        verbose_name_plural = "stocking terms"
        constraints = [
            models.CheckConstraint(condition=Q(pk=1), name="stocking_terms_once"),
            models.CheckConstraint(condition=Q(review_days__gte=1), name="review_takes_a_day_or_more"),
            models.CheckConstraint(
                condition=Q(letter_weekday__gte=1, letter_weekday__lte=7), name="letter_on_a_weekday"
            ),
            models.CheckConstraint(
                condition=Q(
                    **{
                        f"service_{of}__{end}": level
                        for of in ("stops_a_job", "a", "b", "c", "depot")
                        for end, level in (("gte", LEAST_SERVICE), ("lte", MOST_SERVICE))
                    }
                ),
                name="services_are_chances",
            ),
            models.CheckConstraint(
                condition=Q(a_share__gt=0, b_share__gt=F("a_share"), b_share__lt=1), name="class_shares_rise"
            ),
        ]

    def __str__(self) -> str:
        return f"review every {self.review_days} days"

    def clean(self) -> None:
        """Refuse shares of the classes that do not rise, and a place to restock from that is no depot."""
        if self.a_share is not None and self.b_share is not None and self.a_share >= self.b_share:
            above = f"the share of class A, {exact(self.a_share)}"
            text = f"{exact(self.b_share)} is not above {above}; raise it"
            raise ValidationError({"b_share": text})
        if self.restock_from and self.restock_from.kind != PlaceKind.DEPOT:
            raise ValidationError({"restock_from": f"{self.restock_from} is no depot; choose one"})

    @property
    def interval_days(self) -> int:
        """The protection interval of the vans: review period + lead time."""
        days: int = self.review_days + self.van_lead_days
        return days


class ConsumableTerms(models.Model):
    """How one consumable is held, where that differs from the shop's rule."""

    consumable = models.OneToOneField(
        Consumable, primary_key=True, on_delete=models.CASCADE, related_name="terms"
    )
    stops_a_job = models.BooleanField(default=False, help_text="no job can go on without it")
    service = _service_field()
    usable_unit = FixedPointField(
        default=Decimal(1),
        help_text="stock units handed out as one: 1 disc, or a bottle of 250 ml",
    )

    class Meta:
        verbose_name_plural = "consumable terms"
        ordering = ["consumable__code"]
        constraints = [
            models.CheckConstraint(condition=Q(usable_unit__gt=0), name="usable_unit_positive"),
            models.CheckConstraint(
                condition=Q(service__isnull=True) | Q(service__gte=LEAST_SERVICE, service__lte=MOST_SERVICE),
                name="service_is_a_chance",
            ),
        ]

    def __str__(self) -> str:
        return f"terms of {self.consumable}"

    def clean(self) -> None:
        """Refuse a usable unit that holds nothing."""
        if self.usable_unit is not None and self.usable_unit <= 0:
            raise ValidationError(
                {"usable_unit": f"{self.usable_unit:f} is not above 0; give 1 for single units"}
            )


class VanSpace(models.Model):
    """The most of a consumable that a van has room for."""

    place = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="spaces")
    consumable = models.ForeignKey(Consumable, on_delete=models.CASCADE, related_name="spaces")
    quantity = FixedPointField(validators=[NOT_NEGATIVE])

    class Meta:
        ordering = ["place__code", "consumable__code"]
        constraints = [
            models.UniqueConstraint(fields=["place", "consumable"], name="van_space_once"),
            models.CheckConstraint(condition=Q(quantity__gte=0), name="van_space_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.place} has room for {self.quantity:f} {self.consumable}"

    def clean(self) -> None:
        """Refuse room at a place that is not a van."""
        if self.place_id and self.place.kind != PlaceKind.VAN:
            raise ValidationError({"place": f"{self.place} is a {self.place.kind}, not a van"})


class SupplierTerms(models.Model):
    """When a supplier delivers, the least order value it accepts, and where orders go."""

    supplier = models.OneToOneField(
        Supplier, primary_key=True, on_delete=models.CASCADE, related_name="terms"
    )
    lead_days = models.PositiveSmallIntegerField(
        default=7,
        validators=[
            MinValueValidator(1, "%(show_value)s days cannot be: goods come a day after the order or later"),
            MaxValueValidator(A_YEAR_DAYS, "%(show_value)s days are more than a year; check it"),
        ],
        help_text="as it states; its deliveries then correct what is expected",
    )
    least_order_value = FixedPointField(
        default=Decimal(0),
        validators=[NOT_BELOW_NOTHING],
        help_text="it takes no order below this, net of tax; 0 for any",
    )
    order_cost = FixedPointField(
        default=Decimal(0),
        validators=[NOT_BELOW_NOTHING],
        help_text="of placing and receiving one order, freight included where it is charged by order",
    )
    deliver_to = models.ForeignKey(
        Place,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        limit_choices_to={"kind": PlaceKind.DEPOT},
        help_text="the depot; empty: the only one",
    )

    class Meta:
        verbose_name_plural = "supplier terms"
        ordering = ["supplier__code"]
        constraints = [
            models.CheckConstraint(condition=Q(lead_days__gte=1), name="supplier_takes_a_day_or_more"),
            models.CheckConstraint(
                condition=Q(least_order_value__gte=0, order_cost__gte=0), name="supplier_terms_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"terms of {self.supplier}"

    def clean(self) -> None:
        """Refuse a delivery to where no stock can be."""
        if self.deliver_to and self.deliver_to.kind not in REAL_KINDS:
            raise ValidationError({"deliver_to": f"{self.deliver_to} holds no stock; choose the depot"})


class DiscountKind(models.TextChoices):
    """What a price break lowers the price of."""

    ALL_UNITS = "all units"
    INCREMENTAL = "units beyond the break"


class PackTerms(models.Model):
    """What a supplier's pack costs, and how few it sells."""

    pack = models.OneToOneField(Pack, primary_key=True, on_delete=models.CASCADE, related_name="terms")
    price = FixedPointField(validators=[A_PRICE], help_text="of one pack, net of tax")
    least_packs = models.PositiveIntegerField(
        default=1,
        validators=[
            MinValueValidator(1, "%(show_value)s packs are not an order; give 1 when it sells single packs")
        ],
        help_text="the fewest it sells at once",
    )
    discount = models.CharField(max_length=32, choices=DiscountKind.choices, default=DiscountKind.ALL_UNITS)

    class Meta:
        verbose_name_plural = "pack terms"
        ordering = ["pack__consumable__code", "pack__supplier__code"]
        constraints = [
            models.CheckConstraint(condition=Q(price__gt=0), name="pack_has_a_price"),
            models.CheckConstraint(condition=Q(least_packs__gte=1), name="least_packs_one_or_more"),
        ]

    def __str__(self) -> str:
        return f"{self.pack} at {self.price:f}"


class PriceBreak(models.Model):
    """A lower price from some number of packs on."""

    terms = models.ForeignKey(PackTerms, on_delete=models.CASCADE, related_name="breaks")
    from_packs = models.PositiveIntegerField(
        validators=[MinValueValidator(2, "%(show_value)s: a lower price starts at 2 packs or more")]
    )
    price = FixedPointField(validators=[A_PRICE])

    class Meta:
        ordering = ["terms", "from_packs"]
        constraints = [
            models.UniqueConstraint(fields=["terms", "from_packs"], name="price_break_once"),
            models.CheckConstraint(condition=Q(price__gt=0), name="break_has_a_price"),
            models.CheckConstraint(condition=Q(from_packs__gte=2), name="break_from_two_or_more"),
        ]

    def __str__(self) -> str:
        return f"{self.price:f} from {self.from_packs} packs"


def the_terms() -> StockingTerms:
    """Return the shop's stocking terms."""
    return StockingTerms.objects.get(pk=1)


def timetable() -> Timetable:
    """Return the timetable that the shop's settings give."""
    terms = the_terms()
    return Timetable(the_shop().zone, terms.letter_weekday, terms.letter_time)
