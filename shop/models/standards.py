"""What standards were before they were changed."""

from django.db import models
from django.db.models import Q

from inventory.db.fixed_point import FixedPointField
from inventory.models import Consumable
from shop.models.services import JobType


class FormerStandard(models.Model):
    """A standard that was in force before a day; the one in force today is kept with what it belongs to.

    With a job type alone it is its minutes, with a consumable alone what a stock unit should cost, with both
    what the service should take of it. The value is None where there was no standard.
    """

    job_type = models.ForeignKey(JobType, null=True, on_delete=models.CASCADE, related_name="+")
    consumable = models.ForeignKey(Consumable, null=True, on_delete=models.PROTECT, related_name="+")
    in_force_before = models.DateField()
    value = FixedPointField(null=True)

    class Meta:
        ordering = ["job_type", "consumable", "in_force_before"]
        constraints = [
            models.UniqueConstraint(
                fields=["job_type", "consumable", "in_force_before"], name="former_quantity_once"
            ),
            models.UniqueConstraint(
                fields=["job_type", "in_force_before"],
                condition=Q(consumable__isnull=True),
                name="former_minutes_once",
            ),
            models.UniqueConstraint(
                fields=["consumable", "in_force_before"],
                condition=Q(job_type__isnull=True),
                name="former_cost_once",
            ),
            models.CheckConstraint(
                condition=Q(job_type__isnull=False) | Q(consumable__isnull=False),
                name="former_standard_of_something",
            ),
        ]

    def __str__(self) -> str:
        whose = ", ".join(str(one) for one in (self.job_type, self.consumable) if one)
        value = "none" if self.value is None else f"{self.value:f}"
        return f"{whose}: {value} before {self.in_force_before}"
