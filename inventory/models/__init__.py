"""Tables of the stock ledger. Movements, documents and counts are append-only (inventory.db.append_only)."""

from datetime import UTC, date, datetime, tzinfo
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q

from inventory.db.fixed_point import FixedPointField
from inventory.db.time_zones import time_zone_problem
from inventory.documents import Kind, name_problem
from inventory.items.grit_grades import P_GRADES
from inventory.valuation.cost_layers import Method


def validate_code(value: str) -> None:
    """Refuse a code that cannot be shown, typed or exported safely."""
    if found := name_problem(value, 64):
        raise ValidationError(f"{value!r} {found}")


def validate_name(value: str) -> None:
    """Refuse a name that cannot be shown or exported safely."""
    if found := name_problem(value, 200):
        raise ValidationError(f"{value!r} {found}")


def validate_time_zone(value: str) -> None:
    """Refuse a zone that no shop keeps its clocks by."""
    if found := time_zone_problem(value):
        raise ValidationError(found)


def validate_grade(value: str) -> None:
    """Refuse a grade that is not a P-grade."""
    if value not in P_GRADES:
        raise ValidationError(f"{value!r} is not a P-grade of ISO 6344, such as P240 or P1000")


class PlaceKind(models.TextChoices):
    """Real places hold stock; outside places are where it comes from and goes to."""

    DEPOT = "depot"
    VAN = "van"
    TRANSIT = "transit"
    SUPPLIER = "supplier"
    JOB = "job"
    LOST = "lost"
    SCRAPPED = "scrapped"


REAL_KINDS = (PlaceKind.DEPOT, PlaceKind.VAN, PlaceKind.TRANSIT)
OUTSIDE_CODES = tuple(kind.value for kind in PlaceKind if kind not in REAL_KINDS)


class Place(models.Model):
    """Where stock can be. The four outside places are one row each, made by the first migration.

    Stock under way to a van stands at a place of its own, `bound_for` that van; see
    inventory.ledger.in_transit.
    """

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, blank=True, validators=[validate_name])
    kind = models.CharField(max_length=16, choices=PlaceKind.choices)
    bound_for = models.OneToOneField(
        "self", null=True, editable=False, on_delete=models.PROTECT, related_name="transit"
    )

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(
                fields=["kind"],
                condition=Q(kind__in=OUTSIDE_CODES),
                name="place_outside_once",
            ),
            models.CheckConstraint(
                condition=Q(kind="transit", bound_for__isnull=False)
                | (~Q(kind="transit") & Q(bound_for__isnull=True)),
                name="place_in_transit_names_its_van",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_real(self) -> bool:
        """Whether stock can be held here."""
        return self.kind in REAL_KINDS


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
    shelf_life_days = models.PositiveIntegerField(null=True, blank=True)
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


class Document(models.Model):
    """What caused movements, as it was sent. Never changed; undone by a correction that names it."""

    kind = models.CharField(max_length=16, choices=[(kind.value, kind.value) for kind in Kind])
    client_id = models.CharField(max_length=100)
    order = models.CharField(max_length=2200, help_text="natural order of the client id")
    digest = models.CharField(max_length=64)
    content = models.JSONField()
    flags = models.JSONField(default=list)
    occurred_at = models.DateTimeField()
    posted_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.CharField(max_length=150, blank=True)
    supplier = models.ForeignKey(Supplier, null=True, on_delete=models.PROTECT, related_name="documents")
    corrects = models.OneToOneField("self", null=True, on_delete=models.PROTECT, related_name="corrected_by")

    class Meta:
        ordering = ["-posted_at", "-pk"]
        constraints = [models.UniqueConstraint(fields=["kind", "client_id"], name="document_once")]
        indexes = [
            models.Index(fields=["posted_at"], name="document_posted"),
            models.Index(fields=["recorded_at"], name="document_recorded"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.client_id}"


class Lot(models.Model):
    """One batch of a consumable as received, with its expiry.

    `shelf_life_days` is what the expiry was counted by from the shop's day of the receipt. It is null where
    the receipt says the expiry or there is none; and in old rows whose consumable keeps another time since
    then, whose expiry may be a day off.
    """

    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="lots")
    document = models.ForeignKey(Document, on_delete=models.PROTECT, related_name="lots")
    line = models.PositiveIntegerField()
    code = models.CharField(max_length=64, blank=True)
    expires_on = models.DateField(null=True)
    shelf_life_days = models.PositiveIntegerField(null=True)

    class Meta:
        ordering = ["expires_on", "pk"]
        constraints = [models.UniqueConstraint(fields=["document", "line"], name="lot_once")]

    def __str__(self) -> str:
        return f"{self.consumable} {self.code or self.document.client_id}"


class CountLine(models.Model):
    """What a count found. Its movements bring the book to this; see inventory.ledger.count_adjustments."""

    document = models.ForeignKey(Document, on_delete=models.PROTECT, related_name="count_lines")
    line = models.PositiveIntegerField()
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    quantity = FixedPointField()
    counted_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["document", "line"], name="count_line_once"),
            models.CheckConstraint(condition=Q(quantity__gte=0), name="count_not_negative"),
        ]
        indexes = [models.Index(fields=["consumable", "place", "counted_at"], name="count_line_place")]

    def __str__(self) -> str:
        return f"{self.document} line {self.line}"


class Movement(models.Model):
    """A quantity of one consumable going from one place to another; the only thing that changes stock.

    occurred_at is when it happened, posted_at when it counts: the same, but for what happened in a period
    that was locked when it was recorded. `part` tells the movements of one line apart.
    """

    document = models.ForeignKey(Document, on_delete=models.PROTECT, related_name="movements")
    line = models.PositiveIntegerField()
    part = models.PositiveIntegerField(default=0)
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="movements")
    quantity = FixedPointField()
    source = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="movements_out")
    destination = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="movements_in")
    occurred_at = models.DateTimeField()
    posted_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    rank = models.PositiveSmallIntegerField(help_text="order among movements posted at the same moment")
    landed_value = FixedPointField(null=True)
    count_line = models.ForeignKey(CountLine, null=True, on_delete=models.PROTECT, related_name="movements")
    reverses = models.ForeignKey("self", null=True, on_delete=models.PROTECT, related_name="reversals")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["document", "line", "part"], name="movement_once"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="movement_quantity_positive"),
            models.CheckConstraint(condition=~Q(source=F("destination")), name="movement_goes_elsewhere"),
            models.CheckConstraint(
                condition=Q(posted_at__gte=F("occurred_at")), name="movement_posts_when_it_happened_or_later"
            ),
        ]
        indexes = [
            models.Index(fields=["consumable", "posted_at"], name="movement_consumable_posted"),
            models.Index(fields=["posted_at"], name="movement_posted"),
            models.Index(
                fields=["consumable", "posted_at"],
                condition=Q(landed_value__isnull=False),
                name="movement_receipts",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.document} line {self.line}.{self.part}"


class Holding(models.Model):
    """How much of a consumable is at a real place: the sum of its movements, kept with them."""

    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="holdings")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="holdings")
    quantity = FixedPointField(default=Decimal(0))

    class Meta:
        constraints = [models.UniqueConstraint(fields=["place", "consumable"], name="holding_once")]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place}: {self.quantity:f}"


class MovementValue(models.Model):
    """The value a movement carries across the boundary of stock. Derived."""

    movement = models.OneToOneField(
        Movement, primary_key=True, on_delete=models.PROTECT, related_name="valued"
    )
    value = FixedPointField()
    provisional = models.BooleanField(default=False)

    def __str__(self) -> str:
        return f"{self.movement_id}: {self.value:f}"


class CostAdjustment(models.Model):
    """What a movement cost in the end less what it was valued at. Derived."""

    movement = models.ForeignKey(
        Movement, on_delete=models.PROTECT, related_name="adjustments", help_text="the one that settles"
    )
    adjusts = models.ForeignKey(
        Movement,
        on_delete=models.PROTECT,
        related_name="adjusted_by",
        help_text="the one that was provisional",
    )
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="adjustments")
    posted_at = models.DateTimeField()
    quantity = FixedPointField()
    valued = FixedPointField()
    actual = FixedPointField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["movement", "adjusts"], name="adjustment_once")]
        indexes = [models.Index(fields=["consumable", "posted_at"], name="adjustment_consumable_posted")]

    def __str__(self) -> str:
        return f"{self.movement_id} settles {self.adjusts_id}: {self.amount:f}"

    @property
    def amount(self) -> Decimal:
        """Cost not yet charged; negative when too much was charged."""
        return Decimal(self.actual - self.valued)


class CostPool(models.Model):
    """The pool of one consumable after its last movement; locking this row serialises its postings."""

    consumable = models.OneToOneField(
        Consumable, primary_key=True, on_delete=models.PROTECT, related_name="cost_pool"
    )
    state = models.JSONField(null=True)
    posted_at = models.DateTimeField(null=True, help_text="of the last movement valued")
    events_since_checkpoint = models.PositiveIntegerField(default=0)

    def __str__(self) -> str:
        return f"pool of {self.consumable_id}"


class CostCheckpoint(models.Model):
    """The pool of one consumable after all movements posted up to a moment, to resume valuation from."""

    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="checkpoints")
    posted_at = models.DateTimeField()
    state = models.JSONField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["consumable", "posted_at"], name="checkpoint_once")]

    def __str__(self) -> str:
        return f"{self.consumable_id} at {self.posted_at}"


class LotCheckpoint(models.Model):
    """What is thought to be left of each lot of one consumable after all that happened up to a moment.

    Derived, and true as long as nothing is recorded afterwards about the time before that moment:
    `last_movement` is the highest id among the consumable's movements known then. See
    inventory.reports.expiring_stock.
    """

    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="lot_checkpoints")
    occurred_at = models.DateTimeField()
    last_movement = models.BigIntegerField()
    state = models.JSONField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["consumable", "occurred_at"], name="lot_checkpoint_once")
        ]

    def __str__(self) -> str:
        return f"{self.consumable_id} at {self.occurred_at}"


class Books(models.Model):
    """How the ledger of this deployment is kept; one row, made by the first migration."""

    minor_unit_digits = models.PositiveSmallIntegerField(
        default=2, help_text="decimal places of the currency (ISO 4217), to which charges are shared"
    )
    time_zone = models.CharField(
        max_length=64,
        default="UTC",
        validators=[validate_time_zone],
        help_text="whose clocks say when the shop's days begin",
    )

    class Meta:
        verbose_name_plural = "books"
        constraints = [models.CheckConstraint(condition=Q(pk=1), name="books_once")]

    def __str__(self) -> str:
        return f"books kept to {self.minor_unit_digits} places"

    @property
    def minor_unit(self) -> Decimal:
        """The smallest amount of the currency, such as 0.01."""
        digits: int = self.minor_unit_digits
        return Decimal(1).scaleb(-digits)

    @property
    def zone(self) -> tzinfo:
        """The shop's time zone."""
        return UTC if self.time_zone == "UTC" else ZoneInfo(self.time_zone)

    def day_of(self, moment: datetime) -> date:
        """Return the day that the shop's clocks show at a moment, whatever offset it is written with."""
        return moment.astimezone(self.zone).date()


class CostPolicy(models.Model):
    """The cost formula from a moment on; null means from the beginning."""

    method = models.CharField(max_length=16, choices=[(method.value, method.value) for method in Method])
    effective_from = models.DateTimeField(null=True, unique=True)

    class Meta:
        verbose_name_plural = "cost policies"

    def __str__(self) -> str:
        return f"{self.method} from {self.effective_from or 'the beginning'}"


class PeriodChange(models.Model):
    """A lock or a reopening of the books; the latest row says up to which moment they are locked."""

    locked_until = models.DateTimeField(null=True, help_text="the first open moment; null: nothing is locked")
    reason = models.CharField(max_length=500)
    changed_by = models.CharField(max_length=150, blank=True)
    changed_at = models.DateTimeField()

    class Meta:
        ordering = ["pk"]
        get_latest_by = "pk"

    def __str__(self) -> str:
        return f"locked until {self.locked_until}"


class RefusedDocument(models.Model):
    """A document that came with the id of another one; kept for a person to compare."""

    kind = models.CharField(max_length=16)
    client_id = models.CharField(max_length=100)
    content = models.JSONField()
    reason = models.TextField()
    refused_at = models.DateTimeField()
    refused_by = models.CharField(max_length=150, blank=True)
    resolved_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return f"{self.kind} {self.client_id} at {self.refused_at:%Y-%m-%d %H:%M}"
