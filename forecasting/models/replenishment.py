"""Restocks: what a van gets from the depot in a week, from approval to receipt on board."""

from decimal import Decimal

from django.db import models
from django.db.models import F, Q

from forecasting.models.events import Event
from forecasting.models.forecasts import ForecastRun
from inventory.db.fixed_point import FixedPointField
from inventory.models import Consumable, Document, Place


class RestockStatus(models.TextChoices):
    """The status of a restock."""

    DRAFT = "draft"
    APPROVED = "approved"
    UNDER_WAY = "under way"
    RECEIVED = "received"
    CANCELLED = "cancelled"


class Restock(models.Model):
    """What one van is to get in one week. `period` is the ISO week, such as 2026-W48.

    A received restock of which something neither arrived nor was found is still open on its lines.
    """

    van = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="restocks")
    depot = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="restocks_given")
    period = models.CharField(max_length=8)
    run = models.ForeignKey(ForecastRun, on_delete=models.PROTECT, related_name="restocks")
    status = models.CharField(
        max_length=16, choices=RestockStatus.choices, default=RestockStatus.DRAFT, db_index=True
    )
    inputs = models.JSONField(help_text="the settings in force when it was drafted")
    made_at = models.DateTimeField()
    sent_document = models.OneToOneField(Document, null=True, on_delete=models.PROTECT, related_name="+")
    received_document = models.OneToOneField(Document, null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-period", "van__code"]
        constraints = [
            models.UniqueConstraint(fields=["van", "period"], name="restock_once_a_week"),
            models.CheckConstraint(condition=~Q(van=F("depot")), name="restock_goes_elsewhere"),
        ]

    def __str__(self) -> str:
        return f"{self.van} {self.period}"


class RestockLine(models.Model):
    """One consumable of a restock: the facts, the suggestion and its reason, and the outcome.

    Quantities are in stock units. `suggested` is what the depot can share; `wanted` what the van needs;
    `changed_to` a person's number, null as long as nobody changed the suggestion. Of what was picked,
    `received` came on the van, `brought_back` was at the depot after all (negative when the depot had given
    more than was written down) and `lost` nowhere (negative when more was found).
    """

    restock = models.ForeignKey(Restock, on_delete=models.CASCADE, related_name="lines")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    service_class = models.CharField(max_length=16)
    service = FixedPointField()
    on_hand = FixedPointField()
    on_the_way = FixedPointField()
    booked_need = FixedPointField()
    median = FixedPointField()
    high = FixedPointField(help_text="the 0.95 quantile of the burn over the protection interval")
    order_up_to = FixedPointField()
    usable_unit = FixedPointField(default=Decimal(1))
    room = FixedPointField(null=True)
    wanted = FixedPointField()
    suggested = FixedPointField()
    changed_to = FixedPointField(null=True)
    by_hand = models.BooleanField(default=False)
    approved = FixedPointField(null=True)
    picked = FixedPointField(null=True)
    received = FixedPointField(null=True)
    brought_back = FixedPointField(default=Decimal(0))
    lost = FixedPointField(default=Decimal(0))
    unit_cost = FixedPointField()
    cover_days = FixedPointField(
        null=True, help_text="days that the stock would then last at the median burn"
    )
    why = models.CharField(max_length=500)

    class Meta:
        ordering = ["restock", "consumable__code"]
        constraints = [
            models.UniqueConstraint(fields=["restock", "consumable"], name="restock_line_once"),
            models.CheckConstraint(
                condition=Q(wanted__gte=0, suggested__gte=0), name="restock_line_not_negative"
            ),
            *(
                models.CheckConstraint(
                    condition=Q(**{f"{field}__isnull": True}) | Q(**{f"{field}__gte": 0}),
                    name=f"restock_{field}_not_negative",
                )
                for field in ("changed_to", "approved", "picked", "received")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.restock}: {self.suggested:f} {self.consumable}"

    @property
    def asked_for(self) -> Decimal:
        """What a person asks for: the number that one gave, or the suggestion."""
        return Decimal(self.suggested if self.changed_to is None else self.changed_to)

    @property
    def due(self) -> Decimal:
        """The quantity in force: what was picked, or else approved, or else asked for."""
        for quantity in (self.picked, self.approved):
            if quantity is not None:
                return Decimal(quantity)
        return self.asked_for

    @property
    def value(self) -> Decimal:
        """What the quantity in force is worth."""
        return Decimal(self.due * self.unit_cost)

    @property
    def open(self) -> Decimal:
        """What was picked and is not accounted for yet; negative when more came than was picked."""
        if self.picked is None or self.received is None:
            return Decimal(0)
        return Decimal(self.picked - self.received - self.brought_back - self.lost)


class RestockEvent(Event):
    """Who did what to a restock, and when. Only added to."""

    restock = models.ForeignKey(Restock, on_delete=models.PROTECT, related_name="events")

    def __str__(self) -> str:
        return f"{self.restock}: {self.what}"
