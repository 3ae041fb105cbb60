"""Source documents as they were recorded, their lots and count lines, and what was refused."""

from django.db import models
from django.db.models import Q

from inventory.db.fixed_point import FixedPointField
from inventory.documents import DocumentKind
from inventory.models.items import Consumable, Supplier
from inventory.models.places import Place


class Document(models.Model):
    """A document as it was sent. Never changed; undone by a correction that names it."""

    kind = models.CharField(max_length=16, choices=[(kind.value, kind.value) for kind in DocumentKind])
    client_id = models.CharField(max_length=100)
    order = models.CharField(max_length=2200, help_text="natural order of the client id")
    digest = models.CharField(max_length=64)
    content = models.JSONField()
    flags = models.JSONField(default=list)
    occurred_at = models.DateTimeField()
    posted_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.CharField(max_length=150, blank=True)
    supplier = models.ForeignKey(Supplier, null=True, on_delete=models.PROTECT, related_name="documents")
    corrects = models.OneToOneField("self", null=True, on_delete=models.PROTECT, related_name="corrected_by")

    class Meta:
        ordering = ["-posted_at", "-pk"]
        constraints = [models.UniqueConstraint(fields=["kind", "client_id"], name="document_once")]
        indexes = [
            models.Index(fields=["posted_at"], name="document_posted"),
            models.Index(fields=["recorded_at"], name="document_recorded"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.client_id}"


class Lot(models.Model):
    """One batch of a consumable as received, with its expiry.

    `shelf_life_days` is what the expiry was counted by from the shop's day of the receipt. It is null where
    the receipt says the expiry or there is none; and in old rows whose consumable keeps another time since
    then, whose expiry may be a day off.
    """

    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="lots")
    document = models.ForeignKey(Document, on_delete=models.PROTECT, related_name="lots")
    line = models.PositiveIntegerField()
    code = models.CharField(max_length=64, blank=True)
    expires_on = models.DateField(null=True)
    shelf_life_days = models.PositiveIntegerField(null=True)

    class Meta:
        ordering = ["expires_on", "pk"]
        constraints = [models.UniqueConstraint(fields=["document", "line"], name="lot_once")]

    def __str__(self) -> str:
        return f"{self.consumable} {self.code or self.document.client_id}"


class CountLine(models.Model):
    """What a count found. Its movements bring the book to this; see inventory.ledger.count_adjustments."""

    document = models.ForeignKey(Document, on_delete=models.PROTECT, related_name="count_lines")
    line = models.PositiveIntegerField()
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="+")
    quantity = FixedPointField()
    counted_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["document", "line"], name="count_line_once"),
            models.CheckConstraint(condition=Q(quantity__gte=0), name="count_not_negative"),
        ]
        indexes = [models.Index(fields=["consumable", "place", "counted_at"], name="count_line_place")]

    def __str__(self) -> str:
        return f"{self.document} line {self.line}"


class RefusedDocument(models.Model):
    """A document that came with the id of another one; kept for a person to compare."""

    kind = models.CharField(max_length=16)
    client_id = models.CharField(max_length=100)
    content = models.JSONField()
    reason = models.TextField()
    refused_at = models.DateTimeField()
    refused_by = models.CharField(max_length=150, blank=True)
    resolved_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-pk"]
        indexes = [
            models.Index(
                fields=["client_id"], condition=Q(resolved_at__isnull=True), name="refused_unresolved"
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.client_id} at {self.refused_at:%Y-%m-%d %H:%M}"
