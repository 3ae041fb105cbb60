"""The books as a whole: currency digits, zone, cost formula, locked periods."""

from datetime import UTC, date, datetime, tzinfo
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db import models
from django.db.models import Q

from inventory.models.validators import validate_time_zone
from inventory.valuation.cost_layers import CostFormula


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

    method = models.CharField(max_length=16, choices=[(method.value, method.value) for method in CostFormula])
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
