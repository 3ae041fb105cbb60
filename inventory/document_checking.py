"""Do documents stand as they were sent, and do their movements do what they say?"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple

from django.db.models import F, Q, Sum

from inventory.checking import Disagreement, Progress
from inventory.documents import Kind, digest, natural_order
from inventory.landed_cost import landed_costs
from inventory.models import Books, CountLine, Document, Movement, Place, PlaceKind

CHUNK = 500


class Step(NamedTuple):
    """What a movement does, by codes: the line it belongs to, what goes where, and how much."""

    line: int
    consumable: str
    quantity: Decimal
    source: str
    destination: str

    def __str__(self) -> str:
        return f"{self.quantity:.4f} {self.consumable} from {self.source} to {self.destination}"


class Found(NamedTuple):
    """What a count line found, by codes."""

    line: int
    place: str
    consumable: str
    quantity: Decimal

    def __str__(self) -> str:
        return f"{self.quantity:.4f} {self.consumable} at {self.place}"


def document_disagreements(progress: Progress = lambda _: None) -> Iterator[Disagreement]:
    """Yield what is wrong with documents, and with movements that do not do what their document says.

    `progress` is called with the number of documents looked at since its last call.
    """
    outside = {
        PlaceKind(place.kind): place.code for place in Place.objects.exclude(kind__in=("depot", "van"))
    }
    minor_unit = Books.objects.get().minor_unit
    last = 0
    while chunk := list(
        Document.objects.filter(pk__gt=last).select_related("corrects").order_by("pk")[:CHUNK]
    ):
        last = chunk[-1].pk
        yield from _check_chunk(chunk, outside, minor_unit)
        progress(len(chunk))
    yield from _dates()
    yield from _returns()


def _check_chunk(
    chunk: list[Document], outside: dict[PlaceKind, str], minor_unit: Decimal
) -> Iterator[Disagreement]:
    steps, landed = _movements({document.pk for document in chunk} | {d.corrects_id for d in chunk})
    found_by_counts = _count_lines(chunk)
    for document in chunk:
        says: dict[str, Any] = document.content
        if document.digest != digest(says):
            yield Disagreement("digest of content", str(document), document.digest, digest(says))
            # What it says is no evidence any more.
            continue
        yield from _header(document, says)
        mine = steps[document.pk]
        if document.kind == Kind.RECEIPT:
            yield from _landed(document, says, landed[document.pk], minor_unit)
        if document.kind == Kind.COUNT:
            yield from _compare(document, "count line", found_by_counts[document.pk], _said_counts(says))
        elif document.kind == Kind.RETURN:
            yield from _compare(document, "returned", _totals(mine), _totals(_said(says, outside)))
        elif document.kind == Kind.CORRECTION:
            undone = [
                Step(0, step.consumable, step.quantity, step.destination, step.source)
                for step in steps[document.corrects_id or 0]
            ]
            yield from _compare(document, "movement", [step._replace(line=0) for step in mine], undone)
        else:
            yield from _compare(document, "movement", mine, _said(says, outside))


def _header(document: Document, says: dict[str, Any]) -> Iterator[Disagreement]:
    for name, stored, said in (
        ("kind", document.kind, says["kind"]),
        ("id", document.client_id, says["id"]),
        ("order", document.order, natural_order(says["id"])),
        ("occurred_at", document.occurred_at, datetime.fromisoformat(says["occurred_at"])),
    ):
        if stored != said:
            yield Disagreement(f"{name} of document", str(document), stored, said)


def _movements(
    documents: Iterable[int | None],
) -> tuple[dict[int, list[Step]], dict[int, list[tuple[int, Decimal | None]]]]:
    """Return the steps of documents, and the landed value of each of their lines."""
    steps: dict[int, list[Step]] = defaultdict(list)
    landed: dict[int, list[tuple[int, Decimal | None]]] = defaultdict(list)
    rows = Movement.objects.filter(document__in=[pk for pk in documents if pk is not None])
    for document, value, line, consumable, quantity, source, destination in rows.order_by(
        "line", "part"
    ).values_list(
        "document_id",
        "landed_value",
        "line",
        "consumable__code",
        "quantity",
        "source__code",
        "destination__code",
    ):
        steps[document].append(Step(line, consumable, quantity, source, destination))
        landed[document].append((line, value))
    return steps, landed


def _said(says: dict[str, Any], outside: dict[PlaceKind, str]) -> list[Step]:
    """Return the steps that a document's content asks for."""
    kind = says["kind"]
    if kind == Kind.RECEIPT:
        ends = (outside[PlaceKind.SUPPLIER], says["place"])
    elif kind == Kind.TRANSFER:
        ends = (says["source"], says["destination"])
    elif kind == Kind.RETURN:
        ends = (outside[PlaceKind.JOB], says["place"])
    else:
        ends = (says["place"], outside[PlaceKind.SCRAPPED if kind == Kind.SCRAP else PlaceKind.JOB])
    return [
        Step(number, line["consumable"], Decimal(line["quantity"]), *ends)
        for number, line in enumerate(says["lines"], 1)
    ]


def _totals(steps: list[Step]) -> list[Step]:
    """Return one step per consumable and pair of places: a return may take its line from several uses."""
    totals: dict[tuple[str, str, str], Decimal] = defaultdict(Decimal)
    for step in steps:
        totals[step.consumable, step.source, step.destination] += step.quantity
    return [Step(0, code, quantity, *ends) for (code, *ends), quantity in sorted(totals.items())]


def _said_counts(says: dict[str, Any]) -> list[Found]:
    return [
        Found(number, line["place"], line["consumable"], Decimal(line["quantity"]))
        for number, line in enumerate(says["lines"], 1)
    ]


def _count_lines(chunk: list[Document]) -> dict[int, list[Found]]:
    found: dict[int, list[Found]] = defaultdict(list)
    lines = CountLine.objects.filter(document__in=chunk).order_by("line")
    for document, line, place, consumable, quantity in lines.values_list(
        "document_id", "line", "place__code", "consumable__code", "quantity"
    ):
        found[document].append(Found(line, place, consumable, quantity))
    return found


def _compare(document: Document, what: str, stored: list[Any], expected: list[Any]) -> Iterator[Disagreement]:
    """Yield what one list has and the other has not, pairwise where both have something left."""
    missing, extra = list(expected), []
    for item in stored:
        if item in missing:
            missing.remove(item)
        else:
            extra.append(item)
    for place in range(max(len(missing), len(extra))):
        yield Disagreement(
            what,
            str(document),
            extra[place] if place < len(extra) else "none",
            missing[place] if place < len(missing) else "none",
        )


def _landed(
    document: Document,
    says: dict[str, Any],
    stored: list[tuple[int, Decimal | None]],
    minor_unit: Decimal,
) -> Iterator[Disagreement]:
    """Compare landed values with the lines and charges: in all, and line by line."""
    costs = [Decimal(line["cost"]) for line in says["lines"]]
    charges = Decimal(says["freight"]) + Decimal(says["duty"]) - Decimal(says["discount"])
    in_all = sum((value or Decimal(0) for _, value in stored), Decimal(0))
    if in_all != sum(costs, charges):
        yield Disagreement("landed value of receipt", str(document), in_all, sum(costs, charges))
    expected = landed_costs(
        costs,
        [Decimal(line["quantity"]) for line in says["lines"]],
        charges,
        minor_unit,
        by_quantity=says["share_by"] == "quantity",
    )
    for (line, value), due in zip(stored, expected, strict=False):
        if value != due:
            yield Disagreement("landed value", f"{document} line {line}", value, due)


def _dates() -> Iterator[Disagreement]:
    """Yield movements that happened or posted at another moment than their document."""
    movements = Movement.objects.exclude(document__kind=Kind.CORRECTION).select_related("document")
    for movement in movements.exclude(occurred_at=F("document__occurred_at")):
        yield Disagreement(
            "occurred_at of movement", str(movement), movement.occurred_at, movement.document.occurred_at
        )
    # What a count books later may post later: the period it looks at may have been locked meanwhile.
    for movement in movements.exclude(Q(document__kind=Kind.COUNT) | Q(posted_at=F("document__posted_at"))):
        yield Disagreement(
            "posted_at of movement", str(movement), movement.posted_at, movement.document.posted_at
        )


def _returns() -> Iterator[Disagreement]:
    """Yield movements of which more came back than went."""
    back = Sum("reversals__quantity", filter=Q(reversals__document__corrected_by__isnull=True))
    too_much = Movement.objects.annotate(back=back).filter(back__gt=F("quantity"))
    for movement in too_much.select_related("document"):
        yield Disagreement(
            "returned quantity", str(movement), movement.back, f"up to {movement.quantity:.4f}"
        )
