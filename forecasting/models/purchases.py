"""Purchase drafts: from a supplier to the depot, through a person's yes, the order sent, and its receipts."""

from django.db import models
from django.db.models import Q

from forecasting.models.forecasts import ForecastRun
from inventory.fields import FixedPointField
from inventory.models import Consumable, Document, Pack, Place, Supplier


class PurchaseStatus(models.TextChoices):
    """Where a purchase stands."""

    DRAFT = "draft"
    APPROVED = "approved"
    SENT = "sent"
    PARTLY_RECEIVED = "partly received"
    RECEIVED = "received"
    CANCELLED = "cancelled"


class Purchase(models.Model):
    """What to order from one supplier; drafted at most once a day for each."""

    number = models.CharField(max_length=32, unique=True, help_text="such as PO-2026-0042")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="purchases")
    depot = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="purchases")
    period = models.CharField(max_length=10, help_text="the day it was drafted for")
    run = models.ForeignKey(ForecastRun, null=True, on_delete=models.PROTECT, related_name="purchases")
    status = models.CharField(
        max_length=16, choices=PurchaseStatus.choices, default=PurchaseStatus.DRAFT, db_index=True
    )
    inputs = models.JSONField(help_text="the settings in force when it was drafted")
    made_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True)
    expected_on = models.DateField(null=True)

    class Meta:
        ordering = ["-made_at", "number"]
        constraints = [models.UniqueConstraint(fields=["supplier", "period"], name="purchase_once_a_day")]

    def __str__(self) -> str:
        return self.number


class PurchaseLine(models.Model):
    """One pack of a purchase. Quantities in stock units, but for packs; `price` is of one pack."""

    purchase = models.ForeignKey(Purchase, on_delete=models.CASCADE, related_name="lines")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    pack = models.ForeignKey(Pack, on_delete=models.PROTECT, related_name="+")
    pack_units = FixedPointField(help_text="stock units in one pack when it was drafted")
    price = FixedPointField(help_text="of one pack at the suggested number")
    on_hand = FixedPointField()
    on_order = FixedPointField()
    median = FixedPointField()
    high = FixedPointField()
    reorder_level = FixedPointField()
    order_up_to = FixedPointField()
    suggested_packs = models.PositiveIntegerField()
    approved_packs = models.PositiveIntegerField(null=True)
    received_units = FixedPointField(default=0)
    topped_up = models.BooleanField(default=False)
    cover_days = FixedPointField(null=True)
    why = models.CharField(max_length=500)

    class Meta:
        ordering = ["purchase", "consumable__code"]
        constraints = [
            models.UniqueConstraint(fields=["purchase", "pack"], name="purchase_line_once"),
            models.CheckConstraint(
                condition=Q(pack_units__gt=0, price__gte=0, received_units__gte=0),
                name="purchase_line_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.purchase}: {self.suggested_packs} {self.pack}"


class PurchaseReceipt(models.Model):
    """A receipt in the ledger that belongs to a purchase; it teaches the supplier's lead time."""

    purchase = models.ForeignKey(Purchase, on_delete=models.PROTECT, related_name="receipts")
    document = models.OneToOneField(Document, on_delete=models.PROTECT, related_name="+")
    lead_days = FixedPointField(help_text="from the order being sent to this receipt")
    differences = models.JSONField(default=list, help_text="what came otherwise than ordered, in words")

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.purchase}: {self.document}"


class PurchaseEvent(models.Model):
    """Who did what to a purchase, and when. Only added to."""

    purchase = models.ForeignKey(Purchase, on_delete=models.PROTECT, related_name="events")
    what = models.CharField(max_length=32)
    details = models.JSONField(default=dict)
    at = models.DateTimeField()
    by = models.CharField(max_length=150, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.purchase}: {self.what}"
