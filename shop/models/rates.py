"""Dated rates of labour and overhead."""

from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from inventory.db.fixed_point import FixedPointField
from inventory.documents import LARGEST_MONEY
from shop.models.business import BEGINNING, NOT_NEGATIVE
from shop.models.vans import Technician

# No hour and no travel minute costs more, and no month more than a document may hold.
LARGEST_RATE = MaxValueValidator(Decimal(100_000))


LARGEST_OVERHEAD = MaxValueValidator(LARGEST_MONEY)


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
