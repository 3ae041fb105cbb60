"""Purchases: from a supplier to the depot, through approval, the order sent, and its receipts."""

from decimal import Decimal

from django.db import models
from django.db.models import Q

from forecasting.models.events import Event
from forecasting.models.forecasts import ForecastRun
from forecasting.stock_control.price_breaks import PriceList
from inventory.db.fixed_point import FixedPointField
from inventory.models import Consumable, Document, Pack, Place, Supplier


class PurchaseStatus(models.TextChoices):
    """The status of a purchase."""

    DRAFT = "draft"
    APPROVED = "approved"
    SENT = "sent"
    PARTLY_RECEIVED = "partly received"
    RECEIVED = "received"
    CANCELLED = "cancelled"


class Purchase(models.Model):
    """What to order from one supplier; drafted at most once a day for each.

    `period` is empty for an order that a person began.
    """

    number = models.CharField(max_length=32, unique=True, help_text="such as PO-2026-0042")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="purchases")
    depot = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="purchases")
    period = models.CharField(max_length=10, blank=True, help_text="the day it was drafted for")
    run = models.ForeignKey(ForecastRun, null=True, on_delete=models.PROTECT, related_name="purchases")
    status = models.CharField(
        max_length=16, choices=PurchaseStatus.choices, default=PurchaseStatus.DRAFT, db_index=True
    )
    inputs = models.JSONField(help_text="the settings in force when it was drafted")
    note = models.CharField(max_length=500, blank=True, help_text="for the supplier; printed on the order")
    made_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True)
    expected_on = models.DateField(null=True)
    rest_called_off = models.BooleanField(default=False, help_text="the rest is no longer expected")

    class Meta:
        ordering = ["-made_at", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["supplier", "period"], condition=~Q(period=""), name="purchase_once_a_day"
            )
        ]

    def __str__(self) -> str:
        return self.number


class PurchaseLine(models.Model):
    """One pack of a purchase. Quantities in stock units, except packs; money is net of tax.

    `prices` is the price list when it was drafted (forecasting.stock_control.price_breaks). `approved_packs`
    is a person's number: null as long as nobody changed the suggestion of a draft, 0 for what was struck out.
    """

    purchase = models.ForeignKey(Purchase, on_delete=models.CASCADE, related_name="lines")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    pack = models.ForeignKey(Pack, on_delete=models.PROTECT, related_name="+")
    pack_units = FixedPointField(help_text="stock units in one pack when it was drafted")
    prices = models.JSONField(default=dict)
    on_hand = FixedPointField(default=Decimal(0))
    on_order = FixedPointField(default=Decimal(0))
    owed = FixedPointField(default=Decimal(0), help_text="what vans were still to get")
    median = FixedPointField(default=Decimal(0))
    high = FixedPointField(default=Decimal(0))
    reorder_level = FixedPointField(default=Decimal(0))
    order_up_to = FixedPointField(default=Decimal(0))
    most = FixedPointField(null=True, help_text="what will be used before it expires")
    suggested_packs = models.PositiveIntegerField()
    approved_packs = models.PositiveIntegerField(null=True)
    received_units = FixedPointField(default=Decimal(0))
    by_hand = models.BooleanField(default=False)
    topped_up = models.BooleanField(default=False)
    cover_days = FixedPointField(null=True)
    why = models.CharField(max_length=500)

    class Meta:
        ordering = ["purchase", "consumable__code", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["purchase", "pack"], name="purchase_line_once"),
            models.CheckConstraint(
                condition=Q(pack_units__gt=0, received_units__gte=0), name="purchase_line_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.purchase}: {self.packs} {self.pack}"

    @property
    def packs(self) -> int:
        """The packs in force: a person's number, or the suggestion."""
        return self.suggested_packs if self.approved_packs is None else self.approved_packs

    @property
    def units(self) -> Decimal:
        """The stock units in force."""
        return Decimal(self.packs * self.pack_units)

    @property
    def open_units(self) -> Decimal:
        """What is ordered and has not come."""
        return Decimal(max(self.units - self.received_units, 0))

    @property
    def price_list(self) -> PriceList:
        """The price list that was in force."""
        return PriceList.from_json(self.prices)

    @property
    def average_price(self) -> Decimal:
        """What a pack costs on average at the packs in force."""
        return self.price_list.average(self.packs)

    @property
    def cost(self) -> Decimal:
        """What the packs in force cost."""
        return self.price_list.cost(self.packs)


class PurchaseLeftOut(models.Model):
    """What the latest drafting found due and could not order, and why; the next one replaces it.

    By code, as it was then. Without a consumable it is all that the supplier would have sent.
    """

    consumable = models.CharField(max_length=64, blank=True)
    supplier = models.CharField(max_length=64, blank=True)
    reason = models.TextField()
    at = models.DateTimeField()

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.consumable or self.supplier}: {self.reason}"


class PurchaseReceipt(models.Model):
    """A receipt in the ledger that belongs to a purchase; the supplier's lead time is learned from it."""

    purchase = models.ForeignKey(Purchase, on_delete=models.PROTECT, related_name="receipts")
    document = models.OneToOneField(Document, on_delete=models.PROTECT, related_name="+")
    lead_days = FixedPointField(help_text="from the order being sent to this receipt")
    differences = models.JSONField(default=list, help_text="how the delivery differs from the order, as text")
    taken_back = models.BooleanField(default=False, help_text="a correction undid the receipt")

    class Meta:
        ordering = ["pk"]
        constraints = [models.CheckConstraint(condition=Q(lead_days__gte=0), name="receipt_after_its_order")]

    def __str__(self) -> str:
        return f"{self.purchase}: {self.document}"


class PurchaseEvent(Event):
    """Who did what to a purchase, and when. Only added to."""

    purchase = models.ForeignKey(Purchase, on_delete=models.PROTECT, related_name="events")

    def __str__(self) -> str:
        return f"{self.purchase}: {self.what}"
