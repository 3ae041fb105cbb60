"""Purchases over HTTP: lists, one purchase, and its steps as resources that are put and deleted.

PUT takes a step and DELETE takes it back; the same again is answered with the first result (200 instead of
201), anything that does not fit where the purchase stands with 409.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, ClassVar

from django.http import Http404
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from forecasting.amounts import ZERO
from forecasting.models import Purchase, PurchaseLine, PurchaseReceipt
from forecasting.purchasing import approving, receiving, sending
from forecasting.purchasing.approving import Changes
from forecasting.purchasing.steps import Done
from forecasting.purchasing.viewing import (
    READERS,
    STOCK,
    narrowed,
    purchases,
    status_choices,
    total_of,
    with_lines,
)
from forecasting.restocking.steps import StepConflict, StepRefused
from forecasting.step_api import (
    ROWS_PER_PAGE,
    AmountField,
    ServedView,
    asking,
    listed,
    page_asked,
    status_asked,
)
from inventory.documents import Kind, Problem, Receipt, ReceiptLine
from inventory.ledger import Conflict
from shop.api.fields import FlagField, MomentField, NumberField, TextField
from shop.api.problems import Malformed
from shop.api.serializers import LIST_MESSAGES, ReceiptLineSerializer, ShapeSerializer, read_document
from shop.models import Role


class PurchaseLineSerializer(serializers.ModelSerializer[PurchaseLine]):
    """One pack of a purchase; quantities in stock units but for packs, money net of tax."""

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

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        """Show every amount alike."""
        class_, options = super().build_standard_field(field_name, model_field)
        if class_ is serializers.DecimalField:
            return AmountField, {"help_text": model_field.help_text, "allow_null": model_field.null}
        return class_, options


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
        return f"{total_of(purchase.lines.all()).normalize():f}"


class PurchasePageSerializer(serializers.Serializer[Any]):
    """A page of purchases, newest first."""

    count = serializers.IntegerField()
    pages = serializers.IntegerField()
    results = PurchaseSerializer(many=True)


@dataclass(frozen=True, slots=True)
class PackLine:
    """Packs of one line."""

    consumable: str
    pack: str
    packs: Decimal


@dataclass(frozen=True, slots=True)
class Said:
    """What a step says; each step reads what it takes."""

    kind: ClassVar[Kind] = Kind.RECEIPT
    id: str
    lines: tuple[PackLine, ...] = ()
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


class ApprovalSerializer(ShapeSerializer):
    """Packs of lines; what is left out is as it stands on the draft."""

    makes: ClassVar[type[Any]] = Said
    lines = PackLineSerializer(many=True, required=False, error_messages=LIST_MESSAGES)


class SendingSerializer(ShapeSerializer):
    """Nothing to have the letter sent; `how` the supplier was told otherwise, and when."""

    makes: ClassVar[type[Any]] = Said
    how = TextField(required=False)
    at = MomentField(required=False)


class CancellationSerializer(ShapeSerializer):
    """Why; needed for what was sent."""

    makes: ClassVar[type[Any]] = Said
    reason = TextField(required=False)


class NothingSerializer(ShapeSerializer):
    """A step that says nothing more."""

    makes: ClassVar[type[Any]] = Said


class DeliverySerializer(ShapeSerializer):
    """A delivery of the purchase; lines in stock units, with what was charged for each."""

    makes: ClassVar[type[Any]] = Delivery
    occurred_at = MomentField()
    lines = ReceiptLineSerializer(many=True, error_messages=LIST_MESSAGES)
    freight = NumberField(required=False)
    duty = NumberField(required=False)
    discount = NumberField(required=False)
    share_by = TextField(required=False, help_text="value or quantity")
    note = TextField(required=False)
    rest_comes = FlagField(required=False, help_text="false: what is missing is not coming")


class PurchasesView(ServedView):
    """What all routes of purchases have in common."""

    serves: ClassVar[Mapping[str, Collection[Role]]] = {"GET": READERS, "HEAD": READERS}
    answers_with: ClassVar[type[serializers.BaseSerializer[Any]]] = PurchaseSerializer


class PurchaseListView(PurchasesView):
    """Purchases, newest first."""

    answers_with = PurchasePageSerializer

    @extend_schema(
        parameters=[
            OpenApiParameter("supplier", str, description="code of the supplier"),
            OpenApiParameter("status", str, enum=[value for value, _ in status_choices()]),
            OpenApiParameter("page", int, description=f"from 1; {ROWS_PER_PAGE} purchases each"),
        ]
    )
    def get(self, request: Request) -> Response:
        """Show a page of the purchases that the query asks for."""
        supplier = request.query_params.get("supplier", "")
        status_ = status_asked(request, dict(status_choices()))
        found = narrowed(purchases(), supplier=supplier, status=status_)
        return Response(PurchasePageSerializer(listed(page_asked(request, _whole(found)))).data)


class PurchaseView(PurchasesView):
    """One purchase."""

    def get(self, request: Request, number: str) -> Response:  # noqa: ARG002 - a view gets it
        """Show the purchase."""
        return Response(PurchaseSerializer(_purchase(number)).data)


class PurchaseStepView(PurchasesView):
    """A step of a purchase: PUT takes it, DELETE takes it back where that can be."""

    serves: ClassVar[Mapping[str, Collection[Role]]] = {"PUT": STOCK, "DELETE": STOCK}
    serializer_class: ClassVar[type[ShapeSerializer]] = NothingSerializer
    take: ClassVar[Callable[..., Done]]
    back: ClassVar[Callable[..., Done]]

    def put(self, request: Request, number: str) -> Response:
        """Take the step, once however often it is sent."""
        purchase = _purchase(number)
        said = read_document(self.serializer_class, number, request.data)
        return answer(request, purchase, lambda who: self.do(purchase, said, who))

    def delete(self, request: Request, number: str) -> Response:
        """Take the step back."""
        purchase = _purchase(number)
        taken = type(self).back
        return answer(request, purchase, lambda who: taken(purchase.pk, **who), new=status.HTTP_200_OK)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:  # noqa: ARG002
        """Take a step that the body says nothing about."""
        return type(self).take(purchase.pk, **who)


class PurchaseApprovalView(PurchaseStepView):
    """A person's yes to a draft."""

    serializer_class = ApprovalSerializer
    back = staticmethod(approving.take_approval_back)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:
        """Approve with the packs of the body."""
        lines = {(line.consumable.code, line.pack.name): line.pk for line in purchase.lines.all()}
        packs: dict[int, int] = {}
        problems = []
        for row, line in enumerate(said.lines, 1):
            pk = lines.get((line.consumable, line.pack))
            if pk is None:
                problems.append(
                    Problem("pack", line.pack, f"of {line.consumable} is not on the purchase", row)
                )
            elif pk in packs:
                problems.append(Problem("pack", line.pack, f"of {line.consumable} is named twice", row))
            elif line.packs != line.packs.to_integral_value():
                problems.append(Problem("packs", line.packs, "is not a whole number of packs", row))
            else:
                packs[pk] = int(line.packs)
        if problems:
            raise StepRefused(problems)
        return approving.approve(purchase.pk, Changes(packs), **who)


class PurchaseSendingView(PurchaseStepView):
    """That the order goes to the supplier."""

    serializer_class = SendingSerializer
    back = staticmethod(sending.take_sending_back)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:
        """Write the letter, or take down how the supplier was told otherwise."""
        if said.how or said.at is not None:
            return sending.mark_as_sent(purchase.pk, said.how, at=said.at, **who)
        return sending.send(purchase.pk, **who)


class PurchaseCancellationView(PurchaseStepView):
    """That a purchase is called off."""

    serializer_class = CancellationSerializer
    back = staticmethod(approving.reopen)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:
        """Call it off."""
        return approving.cancel(purchase.pk, reason=said.reason, **who)


class PurchaseRestView(PurchaseStepView):
    """That the rest of a purchase is not coming."""

    take = staticmethod(receiving.call_rest_off)
    back = staticmethod(receiving.expect_rest)


class PurchaseReceiptView(PurchasesView):
    """A delivery of a purchase, under an id that the sender chose."""

    serves: ClassVar[Mapping[str, Collection[Role]]] = {"PUT": STOCK, "DELETE": STOCK}
    serializer_class: ClassVar[type[ShapeSerializer]] = DeliverySerializer

    def put(self, request: Request, number: str, client_id: str) -> Response:
        """Post the delivery through the ledger and count it towards the purchase, once."""
        purchase = _purchase(number)
        said = read_document(DeliverySerializer, client_id, request.data)
        receipt = Receipt(
            id=client_id,
            occurred_at=said.occurred_at,
            supplier=purchase.supplier.code,
            place=purchase.depot.code,
            lines=said.lines,
            freight=said.freight,
            duty=said.duty,
            discount=said.discount,
            share_by=said.share_by,
            note=said.note,
        )
        return answer(
            request,
            purchase,
            lambda who: receiving.receive(purchase.pk, receipt, rest_comes=said.rest_comes, **who),
        )

    def delete(self, request: Request, number: str, client_id: str) -> Response:
        """Let the receipt belong to no purchase; it stays in the ledger."""
        purchase = _purchase(number)
        return answer(
            request,
            purchase,
            lambda who: receiving.unlink(purchase.pk, client_id, **who),
            new=status.HTTP_200_OK,
        )


def answer(
    request: Request,
    purchase: Purchase,
    step: Callable[[Mapping[str, Any]], Done],
    new: int = status.HTTP_201_CREATED,
) -> Response:
    """Return the purchase after a step. Raises what the problem handler knows."""
    try:
        done = step({"by": asking(request).get_username(), "now": timezone.now()})
    except StepConflict as conflict:
        sent = Said(purchase.number)
        raise Conflict([(sent, problem) for problem in conflict.problems]) from conflict
    except StepRefused as refused:
        raise Malformed(refused.problems) from refused
    found = PurchaseSerializer(_purchase(purchase.number)).data
    return Response(found, status=new if done.changed else status.HTTP_200_OK)


def _whole(found: Any) -> Any:
    return with_lines(found).prefetch_related("receipts__document")


def _purchase(number: str) -> Purchase:
    found: Purchase | None = _whole(purchases()).filter(number=number).first()
    if found is None:
        raise Http404
    return found
