"""Restocks over HTTP: lists, one restock, and its steps as resources that are put and deleted.

PUT takes a step and DELETE takes it back; the same again is answered with the first result (200 instead of
201), anything that does not fit where the restock stands with 409.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, ClassVar

from django.db.models import Prefetch, QuerySet
from django.http import Http404
from django_filters import FilterSet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from forecasting.burn.runs import latest_run
from forecasting.draft_requirements import CannotDraftError
from forecasting.models import Restock, RestockLine
from forecasting.replenishment import approval, pick_ship_receive
from forecasting.replenishment.discrepancies import Settlement, settle
from forecasting.replenishment.queries import narrowed, status_choices, visible_to, with_differences
from forecasting.replenishment.redraft import draft_again
from forecasting.workflow import Done, StepConflict, StepRefused
from forecasting.workflow_api import (
    AmountField,
    AmountsSerializer,
    Key,
    NothingSerializer,
    ServedView,
    StepView,
    asking,
)
from inventory.decimals import ZERO
from inventory.documents import DocumentKind, Problem, StockLine
from shop.api.fields import FlagField, NumberField, OfCosts, TextField
from shop.api.filters import Choice, Code
from shop.api.lists import RowList
from shop.api.serializers import LIST_MESSAGES, LineSerializer, ShapeSerializer
from shop.models import Person, Role
from shop.people.permissions import EVERYONE, STOCK_ROLES, VAN_AND_STOCK


class UnitCostField(OfCosts, AmountField):
    """What a stock unit cost."""


class RestockLineSerializer(AmountsSerializer[RestockLine]):
    """One consumable of a restock; quantities in its stock unit."""

    consumable = serializers.CharField(source="consumable.code")
    unit = serializers.CharField(source="consumable.stock_unit")
    unit_cost = UnitCostField(
        allow_null=True, read_only=True, help_text="at the last receipt; null: you may not see it"
    )
    open = AmountField(help_text="picked and not accounted for; negative when more arrived than was picked")

    class Meta:
        model = RestockLine
        fields = (
            "consumable",
            "unit",
            "service_class",
            "service",
            "on_hand",
            "on_the_way",
            "booked_need",
            "median",
            "high",
            "order_up_to",
            "usable_unit",
            "room",
            "wanted",
            "suggested",
            "changed_to",
            "by_hand",
            "approved",
            "picked",
            "received",
            "brought_back",
            "lost",
            "open",
            "unit_cost",
            "cover_days",
            "why",
        )


class RestockSerializer(serializers.ModelSerializer[Restock]):
    """What one van is to get in one week."""

    van = serializers.CharField(source="van.code")
    depot = serializers.CharField(source="depot.code")
    week = serializers.CharField(source="period", help_text="ISO week such as 2026-W48")
    has_differences = serializers.BooleanField(help_text="something was picked and is not accounted for")
    lines = RestockLineSerializer(many=True)

    class Meta:
        model = Restock
        fields = ("id", "van", "depot", "week", "status", "has_differences", "made_at", "inputs", "lines")


@dataclass(frozen=True, slots=True)
class Quantities:
    """What a step says: the restock it is about, and quantities by consumable."""

    kind: ClassVar[DocumentKind] = DocumentKind.TRANSFER
    id: str
    lines: tuple[StockLine, ...] = ()


@dataclass(frozen=True, slots=True)
class Renewal:
    """Whether a person's changes may be lost."""

    kind: ClassVar[DocumentKind] = DocumentKind.TRANSFER
    id: str
    discard_changes: bool = False


@dataclass(frozen=True, slots=True)
class WhereIt:
    """Where the open quantity of one consumable is."""

    consumable: str
    open: Decimal
    at_depot: Decimal = ZERO
    on_van: Decimal = ZERO
    lost: Decimal = ZERO


@dataclass(frozen=True, slots=True)
class Differences:
    """Where the open quantities of a restock are."""

    id: str
    lines: tuple[WhereIt, ...]


class QuantitiesSerializer(ShapeSerializer):
    """Quantities by consumable; one that is left out stays as suggested, approved or picked."""

    makes = Quantities
    lines = LineSerializer(many=True, required=False, error_messages=LIST_MESSAGES)


class RenewalSerializer(ShapeSerializer):
    """Whether a person's changes may be lost; by default they may not."""

    makes = Renewal
    discard_changes = FlagField(required=False)


class WhereItSerializer(ShapeSerializer):
    """Where the open quantity of one consumable is, each part 0 or more."""

    makes = WhereIt
    consumable = TextField()
    open = NumberField(help_text="the open quantity as you saw it")
    at_depot = NumberField(required=False)
    on_van = NumberField(required=False)
    lost = NumberField(required=False)


class DifferencesSerializer(ShapeSerializer):
    """Where the open quantities of a received restock are."""

    makes = Differences
    lines = WhereItSerializer(many=True, error_messages=LIST_MESSAGES)


class RestockFilters(FilterSet):
    """Filters by week, van and status."""

    week = Code(field_name="period", help_text="ISO week such as 2026-W48")
    van = Code(field_name="van__code")
    status = Choice([value for value, _ in status_choices()], method="standing")

    def standing(self, rows: QuerySet[Restock], _name: str, value: str) -> QuerySet[Restock]:
        """Return the restocks of a status, or those of which something is not accounted for."""
        return narrowed(rows, week="", van="", status=value)


class RestockListView(RowList):
    """Restocks, newest week first; technicians read those of their own van."""

    readers = EVERYONE
    model = Restock
    serializer_class = RestockSerializer
    filterset_class = RestockFilters
    sortable = {"week": ("period", "-van__code"), "van": ("van__code", "-period"), "made_at": ("made_at",)}
    default_sort = "-week"

    def rows(self, person: Person) -> QuerySet[Restock]:
        """Return the restocks that a person may see, with their lines."""
        return _with_lines(with_differences(visible_to(person)))


class RestockView(ServedView):
    """One restock."""

    serves = {"GET": EVERYONE, "HEAD": EVERYONE}
    answers_with = RestockSerializer

    def get(self, request: Request, pk: int) -> Response:
        """Show the restock."""
        shown = RestockSerializer(_restock(request, pk), context={"request": request}).data
        return Response(shown)


class RestockStepView(StepView):
    """A step of a restock; its content is quantities."""

    serves: ClassVar[Mapping[str, Collection[Role]]] = {"PUT": STOCK_ROLES, "DELETE": STOCK_ROLES}
    answers_with = RestockSerializer
    serializer_class: ClassVar[type[ShapeSerializer]] = QuantitiesSerializer
    sent_as = Quantities

    def found(self, request: Request, key: Key) -> Restock:
        """Return a restock that the person may see."""
        return _restock(request, key)

    def do(self, order: Restock, said: Any, who: Mapping[str, Any]) -> Done[Restock]:
        """Take the step with the values of the body."""
        quantities: dict[str, Decimal] = {}
        for number, line in enumerate(said.lines, 1):
            if line.consumable in quantities:
                raise StepRefused([Problem("consumable", line.consumable, "is named twice", number)])
            quantities[line.consumable] = line.quantity
        return type(self).take(order.pk, quantities, **who)


class ChangesView(RestockStepView):
    """A person's changes to the suggestion, and additions; DELETE brings the suggestions back."""

    take = staticmethod(approval.change)
    back = staticmethod(approval.undo_changes)


class RenewalView(RestockStepView):
    """A draft recalculated from current stock and forecast."""

    serves = {"PUT": STOCK_ROLES}
    http_method_names = ["put"]
    serializer_class = RenewalSerializer

    def do(self, order: Restock, said: Any, who: Mapping[str, Any]) -> Done[Restock]:
        """Recalculate it by the newest forecast."""
        run = latest_run()
        assert run is not None  # noqa: S101 - the draft was made by one
        try:
            return draft_again(order.pk, run, discard_changes=said.discard_changes, **who)
        except CannotDraftError as error:
            raise StepConflict([Problem("depot", "", str(error))]) from error


class ApprovalView(RestockStepView):
    """A person's approval of a draft."""

    take = staticmethod(approval.approve)
    back = staticmethod(approval.take_approval_back)


class PickView(RestockStepView):
    """What was taken from the depot for the van."""

    take = staticmethod(pick_ship_receive.pick)
    back = staticmethod(pick_ship_receive.take_pick_back)


class ConfirmationView(RestockStepView):
    """What arrived on the van; technicians report it for their own van."""

    serves = {"PUT": VAN_AND_STOCK, "DELETE": STOCK_ROLES}
    take = staticmethod(pick_ship_receive.confirm)
    back = staticmethod(pick_ship_receive.take_confirmation_back)


class CancellationView(RestockStepView):
    """Cancels a restock."""

    serializer_class = NothingSerializer
    back = staticmethod(approval.reopen)

    def do(self, order: Restock, said: Any, who: Mapping[str, Any]) -> Done[Restock]:  # noqa: ARG002 - nothing is said
        """Call it off."""
        return approval.cancel(order.pk, **who)


class DifferencesView(RestockStepView):
    """Where the undelivered quantities are."""

    serves = {"PUT": STOCK_ROLES}
    http_method_names = ["put"]
    serializer_class = DifferencesSerializer

    def do(self, order: Restock, said: Any, who: Mapping[str, Any]) -> Done[Restock]:
        """Settle the differences."""
        settlements = {
            line.consumable: Settlement(line.open, line.at_depot, line.on_van, line.lost)
            for line in said.lines
        }
        return settle(order.pk, settlements, **who)


def _restock(request: Request, pk: Key) -> Restock:
    found = _with_lines(with_differences(visible_to(asking(request)))).filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def _with_lines(restocks: QuerySet[Restock]) -> QuerySet[Restock]:
    lines = RestockLine.objects.select_related("consumable").order_by("consumable__code")
    return restocks.prefetch_related(Prefetch("lines", lines))
