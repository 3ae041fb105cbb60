"""The shapes in which purchases and what is done to them go over HTTP."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, ClassVar

from rest_framework import serializers

from forecasting.models import Purchase, PurchaseLine, PurchaseReceipt
from forecasting.purchasing.queries import total_of
from forecasting.workflow_api import AmountField, AmountsSerializer
from inventory.decimals import ZERO
from inventory.documents import DocumentKind, ReceiptLine
from shop.api.fields import FlagField, NumberField, TextField, TimestampField
from shop.api.serializers import LIST_MESSAGES, ReceiptLineSerializer, ShapeSerializer
from shop.common.text import exact


class PurchaseLineSerializer(AmountsSerializer[PurchaseLine]):
    """One pack of a purchase; quantities in stock units except packs, money net of tax."""

    consumable = serializers.CharField(source="consumable.code")
    unit = serializers.CharField(source="consumable.stock_unit")
    pack = serializers.CharField(source="pack.name")
    packs = serializers.IntegerField(help_text="in force: a person's number, or the suggestion")
    price = AmountField(source="average_price", help_text="of a pack, on average over the line")
    cost = AmountField(help_text="of the line")

    class Meta:
        model = PurchaseLine
        fields = (
            "consumable",
            "unit",
            "pack",
            "pack_units",
            "on_hand",
            "on_order",
            "owed",
            "median",
            "high",
            "reorder_level",
            "order_up_to",
            "most",
            "suggested_packs",
            "packs",
            "price",
            "cost",
            "received_units",
            "by_hand",
            "topped_up",
            "cover_days",
            "why",
        )


class PurchaseReceiptSerializer(serializers.ModelSerializer[PurchaseReceipt]):
    """A receipt of a purchase, and what it differs in."""

    id = serializers.CharField(source="document.client_id")
    lead_days = AmountField(help_text="from the order being sent to this receipt")

    class Meta:
        model = PurchaseReceipt
        fields = ("id", "lead_days", "differences", "taken_back")


class PurchaseSerializer(serializers.ModelSerializer[Purchase]):
    """What is ordered from one supplier."""

    supplier = serializers.CharField(source="supplier.code")
    deliver_to = serializers.CharField(source="depot.code")
    total = serializers.SerializerMethodField()
    lines = PurchaseLineSerializer(many=True)
    receipts = PurchaseReceiptSerializer(many=True)

    class Meta:
        model = Purchase
        fields = (
            "number",
            "supplier",
            "deliver_to",
            "status",
            "made_at",
            "sent_at",
            "expected_on",
            "rest_called_off",
            "note",
            "inputs",
            "total",
            "lines",
            "receipts",
        )

    def get_total(self, purchase: Purchase) -> str:
        """Return what the lines cost together."""
        return exact(total_of(purchase.lines.all()))


@dataclass(frozen=True, slots=True)
class PackLine:
    """Packs of one line."""

    consumable: str
    pack: str
    packs: Decimal


@dataclass(frozen=True, slots=True)
class Said:
    """What a step says; each step reads what it takes."""

    kind: ClassVar[DocumentKind] = DocumentKind.RECEIPT
    id: str
    lines: tuple[PackLine, ...] = ()
    note: str | None = None
    reason: str = ""
    how: str = ""
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Delivery:
    """A receipt as it is put to its purchase, whose supplier and depot it has."""

    id: str
    occurred_at: datetime
    lines: tuple[ReceiptLine, ...]
    freight: Decimal = ZERO
    duty: Decimal = ZERO
    discount: Decimal = ZERO
    share_by: str = "value"
    note: str = ""
    rest_comes: bool = True


class PackLineSerializer(ShapeSerializer):
    """Packs of one line; 0 strikes it out."""

    makes: ClassVar[type[Any]] = PackLine
    consumable = TextField()
    pack = TextField(help_text="its name, such as box")
    packs = NumberField()


class ChangesSerializer(ShapeSerializer):
    """Packs of lines, and of further packs of the supplier; what is left out stays as it is on the draft."""

    makes: ClassVar[type[Any]] = Said
    lines = PackLineSerializer(many=True, required=False, error_messages=LIST_MESSAGES)
    note = TextField(required=False, help_text="for the supplier; printed on the order")


class SendingSerializer(ShapeSerializer):
    """Empty to have the letter sent; else `how` the supplier got the order in another way, and when."""

    makes: ClassVar[type[Any]] = Said
    how = TextField(required=False)
    at = TimestampField(required=False)


class CancellationSerializer(ShapeSerializer):
    """Why; needed for what was sent."""

    makes: ClassVar[type[Any]] = Said
    reason = TextField(required=False)


class DeliverySerializer(ShapeSerializer):
    """A delivery of the purchase; lines in stock units, with what was charged for each."""

    makes: ClassVar[type[Any]] = Delivery
    occurred_at = TimestampField()
    lines = ReceiptLineSerializer(many=True, error_messages=LIST_MESSAGES)
    freight = NumberField(required=False)
    duty = NumberField(required=False)
    discount = NumberField(required=False)
    share_by = TextField(required=False, help_text="value or quantity")
    note = TextField(required=False)
    rest_comes = FlagField(required=False, help_text="false: what is missing is not coming")
