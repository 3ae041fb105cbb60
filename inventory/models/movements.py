"""The ledger: movements, and the holdings that follow from them."""

from decimal import Decimal

from django.db import models
from django.db.models import F, Q

from inventory.db.fixed_point import FixedPointField
from inventory.models.documents import CountLine, Document
from inventory.models.items import Consumable
from inventory.models.places import Place

# The ids of a place and of a consumable.
PlaceConsumable = tuple[int, int]


class Movement(models.Model):
    """A quantity of one consumable going from one place to another; the only thing that changes stock.

    occurred_at is when it happened, posted_at when it counts: the same, except for what happened in a period
    that was locked when it was recorded. `part` distinguishes the movements of one line.
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
