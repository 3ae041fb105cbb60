"""Which movements a document makes: one function per kind of document."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import cached_property

from django.db.models import Q, Sum

from inventory import documents
from inventory.documents import DocumentKind, Problem
from inventory.ledger.code_lookup import Catalogue
from inventory.ledger.period_lock import posting_moment
from inventory.models import (
    Books,
    Consumable,
    CountLine,
    Document,
    Lot,
    Movement,
    Place,
    PlaceKind,
)
from inventory.valuation.landed_cost import landed_costs

# Among movements of one moment what comes in comes first, a return comes after its use, and counts see
# everything before them.
RANKS = {
    DocumentKind.RECEIPT: 0,
    DocumentKind.TRANSFER: 2,
    DocumentKind.CLOSE: 3,
    DocumentKind.USE: 3,
    DocumentKind.RETURN: 4,
    DocumentKind.SCRAP: 5,
    DocumentKind.COUNT: 6,
}
CORRECTION_INTO_STOCK_RANK = 1
CORRECTION_OUT_OF_STOCK_RANK = 5
JOB_KINDS = (DocumentKind.CLOSE, DocumentKind.USE)


@dataclass(slots=True)
class MovementPlan:
    """What posting one document writes, before it has a row of its own."""

    document: documents.Document
    posted_at: datetime
    supplier_id: int | None = None
    corrects: Document | None = None
    movements: list[Movement] = field(default_factory=list)
    count_lines: list[CountLine] = field(default_factory=list)
    lots: list[Lot] = field(default_factory=list)


class Planner:
    """Turns documents into movements, looking codes up in a catalogue."""

    def __init__(self, catalogue: Catalogue, first_open: datetime | None, recorded_at: datetime) -> None:
        self.catalogue = catalogue
        self.first_open = first_open
        self.recorded_at = recorded_at

    @cached_property
    def books(self) -> Books:
        """How the books are kept; only a receipt and a late document need it."""
        return Books.objects.get()

    def problems(self, document: documents.Document) -> list[Problem]:
        """Return the codes of a document that mean nothing here, and what does not fit what they mean."""
        found: list[Problem] = []
        if isinstance(document, documents.Transfer):
            found += self._place_problems("source", document.source)
            found += self._place_problems("destination", document.destination)
        elif not isinstance(document, documents.Count | documents.Correction):
            found += self._place_problems("place", document.place)
        if isinstance(document, documents.Receipt) and document.supplier not in self.catalogue.suppliers:
            found.append(Problem("supplier", document.supplier, "is not a known supplier"))
        lines: Sequence[documents.StockLine | documents.ReceiptLine | documents.CountedLine] = getattr(
            document, "lines", ()
        )
        for number, line in enumerate(lines, 1):
            if isinstance(line, documents.CountedLine):
                found += self._place_problems("place", line.place, number)
            consumable = self.catalogue.consumables.get(line.consumable)
            if consumable is None:
                found.append(Problem("consumable", line.consumable, "is not a known consumable", number))
            elif expected := consumable.whole_problem(line.quantity):
                found.append(Problem("quantity", line.quantity, expected, number))
            if isinstance(line, documents.ReceiptLine) and line.expires_on:
                try:
                    date.fromisoformat(line.expires_on)
                except ValueError:
                    found.append(
                        Problem("expires_on", line.expires_on, "is not a date as 2026-12-31", number)
                    )
        return found

    def _place_problems(self, name: str, code: str, line: int | None = None) -> Iterator[Problem]:
        place = self.catalogue.places.get(code)
        if place is None:
            yield Problem(name, code, "is not a known place", line)
        elif not place.is_real:
            yield Problem(name, code, "is outside the shop; name a depot or van", line)

    def plan(self, document: documents.Document) -> MovementPlan | list[Problem]:
        """Return what posting a document without `documents.problems` writes, or what is wrong with it."""
        if found := self.problems(document):
            return found
        plan = MovementPlan(document, posting_moment(document.occurred_at, self.first_open))
        outside = self.catalogue.outside
        if isinstance(document, documents.Correction):
            return self._correct(document, plan)
        if isinstance(document, documents.Return):
            return self._return(document, plan)
        if isinstance(document, documents.Count):
            self._count(document, plan)
        elif isinstance(document, documents.Receipt):
            self._receive(document, plan)
        elif isinstance(document, documents.Transfer):
            places = self.catalogue.places
            self._move(plan, document.lines, places[document.source], places[document.destination])
        else:
            place = self.catalogue.places[document.place]
            kind = PlaceKind.SCRAPPED if isinstance(document, documents.Scrap) else PlaceKind.JOB
            self._move(plan, document.lines, place, outside[kind])
        return plan

    def _move(
        self,
        plan: MovementPlan,
        lines: Sequence[documents.StockLine | documents.ReceiptLine],
        source: Place,
        destination: Place,
    ) -> None:
        for number, line in enumerate(lines, 1):
            consumable = self.catalogue.consumables[line.consumable]
            self._add(
                plan,
                number,
                consumable.pk,
                line.quantity,
                source_id=source.pk,
                destination_id=destination.pk,
            )

    def _add(
        self,
        plan: MovementPlan,
        line: int,
        consumable_id: int,
        quantity: Decimal,
        *,
        source_id: int,
        destination_id: int,
    ) -> Movement:
        movement = Movement(
            line=line,
            consumable_id=consumable_id,
            quantity=quantity,
            source_id=source_id,
            destination_id=destination_id,
            occurred_at=plan.document.occurred_at,
            posted_at=plan.posted_at,
            recorded_at=self.recorded_at,
            rank=RANKS.get(plan.document.kind, 0),
        )
        plan.movements.append(movement)
        return movement

    def _receive(self, document: documents.Receipt, plan: MovementPlan) -> None:
        plan.supplier_id = self.catalogue.suppliers[document.supplier].pk
        self._move(
            plan,
            document.lines,
            self.catalogue.outside[PlaceKind.SUPPLIER],
            self.catalogue.places[document.place],
        )
        values = landed_costs(
            [line.cost for line in document.lines],
            [line.quantity for line in document.lines],
            document.freight + document.duty - document.discount,
            self.books.minor_unit,
            by_quantity=document.share_by == "quantity",
        )
        for number, (line, movement, value) in enumerate(
            zip(document.lines, plan.movements, values, strict=True), 1
        ):
            movement.landed_value = value
            consumable = self.catalogue.consumables[line.consumable]
            expires_on, shelf_life_days = self._expiry(line, consumable, document.occurred_at)
            if line.lot or expires_on:
                plan.lots.append(
                    Lot(
                        consumable=consumable,
                        line=number,
                        code=line.lot,
                        expires_on=expires_on,
                        shelf_life_days=shelf_life_days,
                    )
                )

    def _expiry(
        self, line: documents.ReceiptLine, consumable: Consumable, received_at: datetime
    ) -> tuple[date | None, int | None]:
        """Return when what a line brings expires, and the shelf life which that was counted by."""
        if line.expires_on:
            return date.fromisoformat(line.expires_on), None
        if consumable.shelf_life_days is None:
            return None, None
        received_on = self.books.day_of(received_at)
        return received_on + timedelta(days=consumable.shelf_life_days), consumable.shelf_life_days

    def _count(self, document: documents.Count, plan: MovementPlan) -> None:
        plan.count_lines = [
            CountLine(
                line=number,
                place=self.catalogue.places[line.place],
                consumable=self.catalogue.consumables[line.consumable],
                quantity=line.quantity,
                counted_at=document.occurred_at,
            )
            for number, line in enumerate(document.lines, 1)
        ]

    def _return(self, document: documents.Return, plan: MovementPlan) -> MovementPlan | list[Problem]:
        target = Document.objects.filter(kind=document.returns_kind, client_id=document.returns_id).first()
        name = f"{document.returns_kind} {document.returns_id}"
        if target is None or target.kind not in JOB_KINDS:
            return [Problem("returns_id", name, "is not a posted close or use")]
        if hasattr(target, "corrected_by"):
            return [Problem("returns_id", name, f"was undone by correction {target.corrected_by.client_id}")]
        if document.occurred_at < target.occurred_at:
            return [Problem("occurred_at", document.occurred_at, f"is before {name} of {target.occurred_at}")]
        # What was late for a locked period counts later than it happened, and its return no earlier.
        plan.posted_at = max(plan.posted_at, target.posted_at)
        place = self.catalogue.places[document.place]
        left = {
            movement: movement.quantity - (movement.back or 0)
            for movement in target.movements.annotate(back=_reversed_quantity()).order_by("line", "part")
        }
        found: list[Problem] = []
        for number, line in enumerate(document.lines, 1):
            consumable = self.catalogue.consumables[line.consumable]
            due = line.quantity
            for movement, available in left.items():
                if movement.consumable_id != consumable.pk or not (taken := min(due, available)):
                    continue
                back = self._add(
                    plan,
                    len(plan.movements) + 1,
                    consumable.pk,
                    taken,
                    source_id=movement.destination_id,
                    destination_id=place.pk,
                )
                back.reverses = movement
                left[movement] -= taken
                due -= taken
            if due:
                available = (line.quantity - due).normalize()
                found.append(
                    Problem(
                        "quantity", line.quantity, f"is more than the {available:f} left of {name}", number
                    )
                )
        return found or plan

    def _correct(self, document: documents.Correction, plan: MovementPlan) -> MovementPlan | list[Problem]:
        target = Document.objects.filter(kind=document.corrects_kind, client_id=document.corrects_id).first()
        name = f"{document.corrects_kind} {document.corrects_id}"
        if target is None:
            return [Problem("corrects_id", name, "is not a posted document")]
        if target.kind == DocumentKind.CORRECTION:
            return [Problem("corrects_id", name, "is a correction; post the document again instead")]
        if hasattr(target, "corrected_by"):
            return [Problem("corrects_id", name, f"was undone by correction {target.corrected_by.client_id}")]
        standing = Q(reversals__isnull=False, reversals__document__corrected_by__isnull=True)
        if target.movements.filter(standing).exists():
            return [Problem("corrects_id", name, "has returns; correct those first")]
        if (
            target.kind == DocumentKind.RETURN
            and posting_moment(target.posted_at, self.first_open) != target.posted_at
        ):
            return [
                Problem("corrects_id", name, "is in a locked period; post a further use of the job instead")
            ]
        plan.corrects = target
        plan.posted_at = posting_moment(target.posted_at, self.first_open)
        for number, movement in enumerate(target.movements.order_by("line", "part"), 1):
            back = self._add(
                plan,
                number,
                movement.consumable_id,
                movement.quantity,
                source_id=movement.destination_id,
                destination_id=movement.source_id,
            )
            back.occurred_at = movement.occurred_at
            back.posted_at = posting_moment(movement.posted_at, self.first_open)
            back.rank = (
                CORRECTION_OUT_OF_STOCK_RANK
                if target.kind == DocumentKind.RECEIPT
                else CORRECTION_INTO_STOCK_RANK
            )
            back.count_line_id = movement.count_line_id
            back.reverses = movement
        return plan


def _reversed_quantity() -> Sum:
    return Sum("reversals__quantity", filter=Q(reversals__document__corrected_by__isnull=True))
