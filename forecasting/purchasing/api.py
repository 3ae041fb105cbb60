"""Purchases over HTTP: lists, one purchase, and its steps as resources that are put and deleted.

PUT takes a step and DELETE takes it back; the same again is answered with the first result (200 instead of
201), anything that does not fit where the purchase stands with 409.
"""

from collections.abc import Collection, Mapping
from typing import Any, ClassVar

from django.db.models import QuerySet
from django.http import Http404
from django_filters import FilterSet
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response

from forecasting.models import Purchase
from forecasting.purchasing import approval, dispatch, goods_receipt
from forecasting.purchasing.approval import OrderChanges
from forecasting.purchasing.queries import narrowed, purchases, status_choices, with_lines
from forecasting.purchasing.serializers import (
    CancellationSerializer,
    ChangesSerializer,
    DeliverySerializer,
    PurchaseSerializer,
    Said,
    SendingSerializer,
)
from forecasting.workflow import Done, StepRefused
from forecasting.workflow_api import Key, NothingSerializer, ServedView, StepView
from inventory.documents import Problem, Receipt
from inventory.models import Pack
from shop.api.filters import Choice, Code
from shop.api.lists import RowList
from shop.api.serializers import ShapeSerializer, read_document
from shop.models import Person, Role
from shop.people.permissions import STOCK_READERS, STOCK_ROLES


class PurchaseFilters(FilterSet):
    """Filters by supplier and status."""

    supplier = Code(field_name="supplier__code")
    status = Choice([value for value, _ in status_choices()], method="standing")

    def standing(self, rows: QuerySet[Purchase], _name: str, value: str) -> QuerySet[Purchase]:
        """Return the purchases of a status, or of several together."""
        return narrowed(rows, supplier="", status=value)


class PurchaseListView(RowList):
    """Purchases, newest first."""

    readers = STOCK_READERS
    model = Purchase
    serializer_class = PurchaseSerializer
    filterset_class = PurchaseFilters
    sortable = {
        "made_at": ("made_at", "-number"),
        "number": ("number",),
        "supplier": ("supplier__code", "-made_at"),
    }
    default_sort = "-made_at"

    def rows(self, person: Person) -> QuerySet[Purchase]:  # noqa: ARG002 - all who read them read all
        """Return all purchases with their lines and receipts."""
        return _whole(purchases())


class PurchaseView(ServedView):
    """One purchase."""

    serves = {"GET": STOCK_READERS, "HEAD": STOCK_READERS}
    answers_with = PurchaseSerializer

    def get(self, request: Request, number: str) -> Response:  # noqa: ARG002 - a view gets it
        """Show the purchase."""
        return Response(PurchaseSerializer(_purchase(number)).data)


class PurchaseStepView(StepView):
    """A step of a purchase."""

    serves: ClassVar[Mapping[str, Collection[Role]]] = {"PUT": STOCK_ROLES, "DELETE": STOCK_ROLES}
    answers_with = PurchaseSerializer
    serializer_class: ClassVar[type[ShapeSerializer]] = NothingSerializer
    sent_as = Said

    def found(self, request: Request, key: Key) -> Purchase:  # noqa: ARG002 - all who read them read all
        """Return a purchase."""
        return _purchase(key)


class PurchaseChangesView(PurchaseStepView):
    """What a person changes on the suggestion, and adds; DELETE brings the suggestions back."""

    serializer_class = ChangesSerializer
    back = staticmethod(approval.undo_changes)

    def do(self, order: Purchase, said: Any, who: Mapping[str, Any]) -> Done[Purchase]:
        """Keep the changes."""
        return approval.change(order.pk, _changes(order, said), **who)


class PurchaseApprovalView(PurchaseStepView):
    """A person's approval of a draft."""

    serializer_class = ChangesSerializer
    back = staticmethod(approval.take_approval_back)

    def do(self, order: Purchase, said: Any, who: Mapping[str, Any]) -> Done[Purchase]:
        """Approve with the changes of the body."""
        return approval.approve(order.pk, _changes(order, said), **who)


class PurchaseSendingView(PurchaseStepView):
    """The order goes to the supplier."""

    serializer_class = SendingSerializer
    back = staticmethod(dispatch.take_sending_back)

    def do(self, order: Purchase, said: Any, who: Mapping[str, Any]) -> Done[Purchase]:
        """Write the letter, or record how the supplier got the order in another way."""
        if said.how or said.at is not None:
            return dispatch.mark_as_sent(order.pk, said.how, at=said.at, **who)
        return dispatch.send(order.pk, **who)


class PurchaseCancellationView(PurchaseStepView):
    """Cancels a purchase."""

    serializer_class = CancellationSerializer
    back = staticmethod(approval.reopen)

    def do(self, order: Purchase, said: Any, who: Mapping[str, Any]) -> Done[Purchase]:
        """Call it off."""
        return approval.cancel(order.pk, reason=said.reason, **who)


class PurchaseRestView(PurchaseStepView):
    """The rest of a purchase is not coming."""

    take = staticmethod(goods_receipt.call_rest_off)
    back = staticmethod(goods_receipt.expect_rest)


class PurchaseReceiptView(PurchaseStepView):
    """A delivery of a purchase, under an id that the sender chose."""

    serializer_class = DeliverySerializer

    def put(self, request: Request, number: str, client_id: str) -> Response:  # type: ignore[override]
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
        return self.answer(
            request,
            number,
            lambda who: goods_receipt.receive(purchase.pk, receipt, rest_comes=said.rest_comes, **who),
        )

    def delete(self, request: Request, number: str, client_id: str) -> Response:  # type: ignore[override]
        """Let the receipt belong to no purchase; it stays in the ledger."""
        purchase = _purchase(number)
        return self.answer(
            request,
            number,
            lambda who: goods_receipt.unlink(purchase.pk, client_id, **who),
            new=status.HTTP_200_OK,
        )


def _changes(purchase: Purchase, said: Said) -> OrderChanges:
    """Return what a body changes. Raises StepRefused for packs that the supplier does not sell."""
    lines = {(line.consumable.code, line.pack.name): line.pk for line in purchase.lines.all()}
    names = [line.pack for line in said.lines]
    sold = Pack.objects.filter(supplier=purchase.supplier, name__in=names)
    further = {(pack.consumable.code, pack.name): pack.pk for pack in sold.select_related("consumable")}
    packs: dict[int, int] = {}
    added: dict[int, int] = {}
    problems = []
    for row, line in enumerate(said.lines, 1):
        named = line.consumable, line.pack
        on_it = named in lines
        key = lines.get(named, further.get(named))
        if key is None:
            expected = f"of {line.consumable} is not on the purchase, nor sold by {purchase.supplier}"
            problems.append(Problem("pack", line.pack, expected, row))
        elif key in (packs if on_it else added):
            problems.append(Problem("pack", line.pack, f"of {line.consumable} is named twice", row))
        elif line.packs != line.packs.to_integral_value():
            problems.append(Problem("packs", line.packs, "is not a whole number of packs", row))
        else:
            (packs if on_it else added)[key] = int(line.packs)
    if problems:
        raise StepRefused(problems)
    return OrderChanges(packs, tuple(added.items()), said.note)


def _whole(found: QuerySet[Purchase]) -> QuerySet[Purchase]:
    return with_lines(found).prefetch_related("receipts__document")


def _purchase(number: Key) -> Purchase:
    found: Purchase | None = _whole(purchases()).filter(number=number).first()
    if found is None:
        raise Http404
    return found
