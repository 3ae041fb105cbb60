"""Tables of the shop: people, vans, customers, services, jobs and what each document posted to a job."""

from collections.abc import Iterator
from datetime import date, datetime, time, tzinfo
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models, transaction
from django.db.models import F, Q

from inventory.db.fixed_point import FixedPointField
from inventory.documents import LARGEST_MONEY
from inventory.models import Books, Consumable, Document, Place, validate_code, validate_name
from shop.accounting.count_variances import CountExplanation  # noqa: F401 - a table of this app, kept with what it is for
from shop.jobs.photos import Photo  # noqa: F401 - likewise
from shop.people.email_rate_limit import LetterAsked  # noqa: F401 - likewise
from shop.people.sessions import Device  # noqa: F401 - likewise
from shop.people.tokens import ApiToken  # noqa: F401 - likewise

# A rate that was always in force.
BEGINNING = date(1900, 1, 1)
NOT_NEGATIVE = MinValueValidator(Decimal(0))
# No hour and no travel minute costs more, and no month more than a document may hold.
LARGEST_RATE = MaxValueValidator(Decimal(100_000))
LARGEST_OVERHEAD = MaxValueValidator(LARGEST_MONEY)


class Role(models.TextChoices):
    """What a person does in the shop, and so what the person may do here."""

    TECHNICIAN = "technician"
    STOREKEEPER = "storekeeper"
    OWNER = "owner"
    ACCOUNTANT = "accountant"


class LengthUnit(models.TextChoices):
    """How lengths are shown; they are kept in millimetres."""

    MILLIMETRES = "mm", "millimetres"
    INCHES = "in", "inches"


class Person(AbstractUser):  # type: ignore[django-manager-missing] # knox has no types
    """Someone who signs in."""

    role = models.CharField(max_length=16, choices=Role.choices, default=Role.TECHNICIAN)
    invited_at = models.DateTimeField(
        null=True, editable=False, help_text="when the link was last sent that is still to be used"
    )
    session_generation = models.PositiveIntegerField(
        default=0, editable=False, help_text="goes up to sign the person out everywhere"
    )
    length_unit = models.CharField(
        max_length=2, blank=True, choices=LengthUnit.choices, help_text="empty: as the shop's"
    )

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    def set_unusable_password(self) -> None:
        """Take the password away; with it the tokens end."""
        super().set_unusable_password()
        self._loses_password = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Save. API tokens end with the password under which they were made, however it is changed."""
        # Django keeps the chosen password here until it is saved, but not one that is only hashed anew.
        chosen: str | None = getattr(self, "_password", None)
        ends_tokens = chosen is not None or self._loses_password
        with transaction.atomic():
            super().save(*args, **kwargs)
            if ends_tokens:
                self.auth_token_set.all().delete()
        self._loses_password = False

    _loses_password = False

    def length_unit_in(self, shop: "Shop") -> LengthUnit:
        """Return the unit in which lengths are shown to and typed by the person."""
        return LengthUnit(self.length_unit or shop.length_unit)

    def get_session_auth_hash(self) -> str:
        """Return what a session must hold to stay signed in: it changes with the password and generation."""
        return f"{super().get_session_auth_hash()}:{self.session_generation}"

    def get_session_auth_fallback_hash(self) -> Iterator[str]:
        """Yield the same for earlier secret keys."""
        for earlier in super().get_session_auth_fallback_hash():
            yield f"{earlier}:{self.session_generation}"


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


class Van(models.Model):
    """A van; its stock is at its place, which has the same code."""

    place = models.OneToOneField(Place, on_delete=models.PROTECT, related_name="van")
    registration = models.CharField(max_length=32, blank=True, validators=[validate_name])

    class Meta:
        ordering = ["place__code"]

    def __str__(self) -> str:
        return self.place.code

    @property
    def code(self) -> str:
        """The code the van and its place share."""
        return self.place.code


class Technician(models.Model):
    """Someone who repairs glass, with or without a sign-in."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, blank=True, validators=[validate_name])
    person = models.OneToOneField(
        Person, null=True, blank=True, on_delete=models.SET_NULL, related_name="technician"
    )
    van = models.ForeignKey(Van, null=True, blank=True, on_delete=models.SET_NULL, related_name="technicians")

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name or self.code


class LabourRate(models.Model):
    """A loaded hourly rate from a day on, of one technician or of all others."""

    technician = models.ForeignKey(
        Technician, null=True, blank=True, on_delete=models.CASCADE, related_name="rates"
    )
    effective_from = models.DateField(default=BEGINNING)
    per_hour = FixedPointField(validators=[NOT_NEGATIVE, LARGEST_RATE])

    class Meta:
        ordering = ["technician__code", "effective_from"]
        constraints = [
            models.UniqueConstraint(fields=["technician", "effective_from"], name="labour_rate_once"),
            models.UniqueConstraint(
                fields=["effective_from"],
                condition=Q(technician__isnull=True),
                name="labour_rate_of_all_once",
            ),
            models.CheckConstraint(condition=Q(per_hour__gte=0), name="labour_rate_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.per_hour:f} per hour from {self.effective_from}"


class OverheadRate(models.Model):
    """Monthly overhead over practical capacity, and the vehicle's rate, from a day on."""

    effective_from = models.DateField(unique=True, default=BEGINNING)
    monthly_overhead = FixedPointField(default=Decimal(0), validators=[NOT_NEGATIVE, LARGEST_OVERHEAD])
    capacity_minutes = FixedPointField(
        default=Decimal(1),
        validators=[MinValueValidator(Decimal(1))],
        help_text="labour minutes the shop can practically give in a month",
    )
    vehicle_per_minute = FixedPointField(
        default=Decimal(0),
        validators=[NOT_NEGATIVE, LARGEST_RATE],
        help_text="per travel minute, besides the technician",
    )

    class Meta:
        ordering = ["effective_from"]
        constraints = [
            models.CheckConstraint(condition=Q(capacity_minutes__gt=0), name="capacity_positive"),
            models.CheckConstraint(
                condition=Q(monthly_overhead__gte=0, vehicle_per_minute__gte=0), name="overhead_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.monthly_overhead:f} a month from {self.effective_from}"


class Customer(models.Model):
    """Who pays for a job."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, validators=[validate_name])
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class Site(models.Model):
    """Where a customer's glass is."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="sites")
    name = models.CharField(max_length=200, validators=[validate_name])
    address = models.TextField(blank=True)

    class Meta:
        ordering = ["customer__code", "name"]
        constraints = [models.UniqueConstraint(fields=["customer", "name"], name="site_once")]

    def __str__(self) -> str:
        return f"{self.customer}, {self.name}"


class DamageType(models.Model):
    """A kind of damage."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class GlassType(models.Model):
    """A kind of glass, with the caution that goes with it."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    caution = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class JobType(models.Model):
    """A priced service, with the minutes and consumables it should take."""

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, blank=True, validators=[validate_name])
    list_price = FixedPointField(default=Decimal(0), validators=[NOT_NEGATIVE], help_text="net of tax")
    standard_minutes = FixedPointField(default=Decimal(0), validators=[NOT_NEGATIVE])

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name or self.code


class StandardUse(models.Model):
    """What a service should take of one consumable."""

    job_type = models.ForeignKey(JobType, on_delete=models.CASCADE, related_name="standard_uses")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    quantity = FixedPointField(validators=[NOT_NEGATIVE])
    minutes = FixedPointField(default=Decimal(0), validators=[NOT_NEGATIVE])
    finishing = models.BooleanField(default=False, help_text="a last step: without it the glass is not clear")

    class Meta:
        ordering = ["job_type__code", "consumable__code"]
        constraints = [
            models.UniqueConstraint(fields=["job_type", "consumable"], name="standard_use_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=0, minutes__gte=0), name="standard_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job_type}: {self.quantity:f} {self.consumable}"


class Outcome(models.TextChoices):
    """How a job ended."""

    REMOVED = "removed"
    REDUCED = "reduced"
    NOT_REMOVABLE = "not removable"
    ABANDONED = "abandoned"


class JobStatus(models.TextChoices):
    """Where a job stands."""

    BOOKED = "booked"
    CLOSED = "closed"
    CANCELLED = "cancelled"


class Job(models.Model):
    """One piece of work: booked, then closed with what it took."""

    reference = models.CharField(max_length=64, unique=True, validators=[validate_code])
    status = models.CharField(max_length=16, choices=JobStatus.choices, default=JobStatus.BOOKED)
    site = models.ForeignKey(Site, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs")
    van = models.ForeignKey(Van, on_delete=models.PROTECT, related_name="jobs")
    technician = models.ForeignKey(
        Technician, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs"
    )
    job_type = models.ForeignKey(JobType, on_delete=models.PROTECT, related_name="jobs")
    damage_type = models.ForeignKey(DamageType, on_delete=models.PROTECT, related_name="jobs")
    glass = models.ForeignKey(GlassType, on_delete=models.PROTECT, related_name="jobs")
    length_mm = FixedPointField(null=True, blank=True, validators=[NOT_NEGATIVE])
    catches_fingernail = models.BooleanField(null=True, blank=True)
    in_primary_view = models.BooleanField(
        default=False, help_text="in the driver's primary viewing area of a windscreen"
    )
    existing_damage = models.TextField(
        blank=True, help_text="damage that was there before, agreed in writing"
    )
    price = FixedPointField(
        default=Decimal(0), validators=[NOT_NEGATIVE], help_text="net of tax and discount"
    )
    booked_for = models.DateField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True, editable=False)
    labour_minutes = FixedPointField(null=True, editable=False)
    travel_minutes = FixedPointField(null=True, editable=False)
    outcome = models.CharField(max_length=16, blank=True, choices=Outcome.choices, editable=False)
    callback_of = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="callbacks"
    )
    original = models.ForeignKey(
        "self",
        null=True,
        editable=False,
        on_delete=models.PROTECT,
        related_name="all_callbacks",
        help_text="the first job of a chain of callbacks, which bears their cost",
    )
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["-closed_at", "reference"]
        constraints = [
            models.CheckConstraint(condition=~Q(callback_of=F("pk")), name="job_not_its_own_callback"),
            models.CheckConstraint(
                condition=~Q(status="closed")
                | Q(
                    closed_at__isnull=False,
                    labour_minutes__gte=0,
                    travel_minutes__gte=0,
                    outcome__in=Outcome.values,
                    technician__isnull=False,
                ),
                name="job_closed_is_complete",
            ),
            models.CheckConstraint(condition=Q(price__gte=0), name="job_price_not_negative"),
        ]
        indexes = [
            models.Index(fields=["closed_at", "reference"], name="job_closed"),
            models.Index(fields=["job_type", "closed_at"], name="job_type_closed"),
            models.Index(fields=["van", "booked_for"], name="job_van_booked"),
            models.Index(fields=["damage_type", "closed_at"], name="job_damage_closed"),
            models.Index(fields=["status", "booked_for"], name="job_status_booked"),
        ]

    def __str__(self) -> str:
        return self.reference


class Booking(models.Model):
    """What was booked of a job that is closed now: its close may say otherwise, and be taken back.

    Kept from the close until that is undone; see shop.jobs.bookings. The job's other columns no close
    changes.
    """

    job = models.OneToOneField(Job, primary_key=True, on_delete=models.CASCADE, related_name="booking")
    van = models.ForeignKey(Van, on_delete=models.PROTECT, related_name="+")
    technician = models.ForeignKey(Technician, null=True, on_delete=models.PROTECT, related_name="+")
    job_type = models.ForeignKey(JobType, on_delete=models.PROTECT, related_name="+")
    damage_type = models.ForeignKey(DamageType, on_delete=models.PROTECT, related_name="+")
    glass = models.ForeignKey(GlassType, on_delete=models.PROTECT, related_name="+")
    length_mm = FixedPointField(null=True)
    in_primary_view = models.BooleanField()
    existing_damage = models.TextField()
    price = FixedPointField()
    callback_of = models.ForeignKey(Job, null=True, on_delete=models.PROTECT, related_name="+")
    note = models.TextField()

    def __str__(self) -> str:
        return f"booking of {self.job}"


class JobUse(models.Model):
    """What a job took of one consumable, as logged, with the minutes worked and how many were spoilt."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="uses")
    document = models.ForeignKey(Document, on_delete=models.PROTECT, related_name="job_uses")
    line = models.PositiveIntegerField()
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="job_uses")
    quantity = FixedPointField()
    minutes = FixedPointField(default=Decimal(0))
    spoilt = FixedPointField(default=Decimal(0))
    spoilt_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["job", "document", "line"]
        constraints = [
            models.UniqueConstraint(fields=["document", "line"], name="job_use_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=0, minutes__gte=0, spoilt__gte=0), name="job_use_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job}: {self.quantity:f} {self.consumable}"


class JobCost(models.Model):
    """What one document posted to a job. Derived and rebuildable; see shop.costing.job_costs.

    `jobs` is 1 for a close, -1 for its correction and 0 for anything else, so that sums count jobs. Who did
    what, where and when is kept as the close said it that the document belongs to: a job may be closed anew
    and say something else, and what was reported of a locked period stays.
    """

    document = models.OneToOneField(
        Document, primary_key=True, on_delete=models.PROTECT, related_name="job_cost"
    )
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="costs")
    posted_at = models.DateTimeField(db_index=True)
    jobs = models.SmallIntegerField(default=0)
    labour_minutes = FixedPointField(default=Decimal(0))
    revenue = FixedPointField(default=Decimal(0))
    materials = FixedPointField(default=Decimal(0))
    wear = FixedPointField(default=Decimal(0))
    labour = FixedPointField(default=Decimal(0))
    travel = FixedPointField(default=Decimal(0))
    overhead = FixedPointField(default=Decimal(0))
    closed_at = models.DateTimeField()
    van = models.ForeignKey(Van, on_delete=models.PROTECT, related_name="+", db_index=False)
    technician = models.ForeignKey(Technician, on_delete=models.PROTECT, related_name="+", db_index=False)
    job_type = models.ForeignKey(JobType, on_delete=models.PROTECT, related_name="+", db_index=False)
    damage_type = models.ForeignKey(DamageType, on_delete=models.PROTECT, related_name="+", db_index=False)
    glass = models.ForeignKey(GlassType, on_delete=models.PROTECT, related_name="+", db_index=False)
    outcome = models.CharField(max_length=16, choices=Outcome.choices)
    callback_of = models.ForeignKey(
        Job, null=True, on_delete=models.PROTECT, related_name="+", db_index=False
    )

    def __str__(self) -> str:
        return f"{self.document}: cost of {self.job}"


class Finding(models.Model):
    """A question that a close raised, kept until a person has answered it."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="findings")
    document = models.ForeignKey(Document, on_delete=models.PROTECT, related_name="findings")
    code = models.CharField(max_length=40)
    consumable = models.CharField(max_length=64, blank=True)
    message = models.TextField()
    answered_at = models.DateTimeField(null=True, blank=True)
    answer = models.CharField(max_length=300, blank=True)
    answered_by = models.CharField(max_length=150, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.message


class WaitingUse(models.Model):
    """What a file says a job used, kept until the job is closed; see shop.jobs.pending_usage."""

    job_reference = models.CharField(max_length=64, validators=[validate_code])
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveIntegerField(help_text="tells lines of one job and consumable apart")
    quantity = FixedPointField()
    minutes = FixedPointField(default=Decimal(0))
    recorded_at = models.DateTimeField()

    class Meta:
        ordering = ["job_reference", "consumable__code", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["job_reference", "consumable", "position"], name="waiting_use_once"
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=0, minutes__gte=0), name="waiting_use_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job_reference}: {self.quantity:f} {self.consumable}"


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
