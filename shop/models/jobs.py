"""Jobs from booking to close, what they used, and what is asked about them."""

from decimal import Decimal

from django.db import models
from django.db.models import F, Q

from inventory.db.fixed_point import FixedPointField
from inventory.models import Consumable, Document, validate_code
from shop.models.business import NOT_NEGATIVE
from shop.models.services import DamageType, GlassType, JobType, Site
from shop.models.vans import Technician, Van


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
    """The booking of a job that is closed now: its close may change facts, and be taken back.

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
