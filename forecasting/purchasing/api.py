"""Purchases over HTTP: lists, one purchase, and its steps as resources that are put and deleted.

PUT takes a step and DELETE takes it back; the same again is answered with the first result (200 instead of
201), anything that does not fit where the purchase stands with 409.
"""

from collections.abc import Callable, Collection, Mapping
from typing import Any, ClassVar

from django.db.models import QuerySet
from django.http import Http404
from django.utils import timezone
from django_filters import FilterSet
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from forecasting.models import Purchase
from forecasting.purchasing import approval, dispatch, goods_receipt
from forecasting.purchasing.approval import Changes
from forecasting.purchasing.queries import (
    READERS,
    STOCK,
    narrowed,
    purchases,
    status_choices,
    with_lines,
)
from forecasting.purchasing.serializers import (
    CancellationSerializer,
    ChangesSerializer,
    DeliverySerializer,
    NothingSerializer,
    PurchaseSerializer,
    Said,
    SendingSerializer,
)
from forecasting.purchasing.steps import Done
from forecasting.replenishment.steps import StepConflict, StepRefused
from forecasting.workflow_api import ServedView, asking
from inventory.documents import Problem, Receipt
from inventory.ledger import Conflict
from inventory.models import Pack
from shop.api.filters import Choice, Code
from shop.api.lists import RowList
from shop.api.problems import Malformed
from shop.api.serializers import ShapeSerializer, read_document
from shop.models import Person, Role


class PurchasesView(ServedView):
    """What all routes of purchases have in common."""

    serves: ClassVar[Mapping[str, Collection[Role]]] = {"GET": READERS, "HEAD": READERS}
    answers_with: ClassVar[type[serializers.BaseSerializer[Any]]] = PurchaseSerializer


class PurchaseFilters(FilterSet):
    """By supplier and status."""

    supplier = Code(field_name="supplier__code")
    status = Choice([value for value, _ in status_choices()], method="standing")

    def standing(self, rows: QuerySet[Purchase], _name: str, value: str) -> QuerySet[Purchase]:
        """Return the purchases of a status, or of several together."""
        return narrowed(rows, supplier="", status=value)


class PurchaseListView(RowList):
    """Purchases, newest first."""

    readers = frozenset(READERS)
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


class PurchaseChangesView(PurchaseStepView):
    """What a person orders otherwise than suggested, and adds; DELETE brings the suggestions back."""

    serializer_class = ChangesSerializer
    back = staticmethod(approval.undo_changes)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:
        """Keep the changes."""
        return approval.change(purchase.pk, _changes(purchase, said), **who)


class PurchaseApprovalView(PurchaseStepView):
    """A person's yes to a draft."""

    serializer_class = ChangesSerializer
    back = staticmethod(approval.take_approval_back)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:
        """Approve with the changes of the body."""
        return approval.approve(purchase.pk, _changes(purchase, said), **who)


class PurchaseSendingView(PurchaseStepView):
    """That the order goes to the supplier."""

    serializer_class = SendingSerializer
    back = staticmethod(dispatch.take_sending_back)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:
        """Write the letter, or take down how the supplier was told otherwise."""
        if said.how or said.at is not None:
            return dispatch.mark_as_sent(purchase.pk, said.how, at=said.at, **who)
        return dispatch.send(purchase.pk, **who)


class PurchaseCancellationView(PurchaseStepView):
    """That a purchase is called off."""

    serializer_class = CancellationSerializer
    back = staticmethod(approval.reopen)

    def do(self, purchase: Purchase, said: Any, who: Mapping[str, Any]) -> Done:
        """Call it off."""
        return approval.cancel(purchase.pk, reason=said.reason, **who)


class PurchaseRestView(PurchaseStepView):
    """That the rest of a purchase is not coming."""

    take = staticmethod(goods_receipt.call_rest_off)
    back = staticmethod(goods_receipt.expect_rest)


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
            lambda who: goods_receipt.receive(purchase.pk, receipt, rest_comes=said.rest_comes, **who),
        )

    def delete(self, request: Request, number: str, client_id: str) -> Response:
        """Let the receipt belong to no purchase; it stays in the ledger."""
        purchase = _purchase(number)
        return answer(
            request,
            purchase,
            lambda who: goods_receipt.unlink(purchase.pk, client_id, **who),
            new=status.HTTP_200_OK,
        )


def _changes(purchase: Purchase, said: Said) -> Changes:
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
    return Changes(packs, tuple(added.items()), said.note)


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


def _whole(found: QuerySet[Purchase]) -> QuerySet[Purchase]:
    return with_lines(found).prefetch_related("receipts__document")


def _purchase(number: str) -> Purchase:
    found: Purchase | None = _whole(purchases()).filter(number=number).first()
    if found is None:
        raise Http404
    return found
