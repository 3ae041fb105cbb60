"""Values kept beside movements, and the states of pools and lots."""

from decimal import Decimal

from django.db import models

from inventory.db.fixed_point import FixedPointField
from inventory.models.items import Consumable
from inventory.models.movements import Movement


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
    """An estimate of what is left of each lot of one consumable at a moment.

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
