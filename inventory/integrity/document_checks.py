"""Are documents stored as they were sent, and do their movements match them?"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime
from decimal import Decimal
from itertools import chain
from typing import Any, NamedTuple

from django.db.models import F, Q, Sum

from inventory.documents import DocumentKind, digest, natural_order
from inventory.integrity import receipt_checks
from inventory.integrity.receipt_checks import ShelfLife
from inventory.integrity.stock_checks import Disagreement, Progress, named_where_unreadable
from inventory.ledger.journal_entries import CORRECTION_INTO_STOCK_RANK, CORRECTION_OUT_OF_STOCK_RANK, RANKS
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


class StoredMovement(NamedTuple):
    """A movement as it is stored: what it does, its place in its line and moment, what it landed at."""

    step: Step
    part: int
    rank: int
    landed_value: Decimal | None


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
    facts = _Facts(
        {PlaceKind(place.kind): place.code for place in Place.objects.exclude(kind__in=("depot", "van"))},
        Books.objects.get(),
        receipt_checks.shelf_lives(),
    )
    last = 0
    while chunk := list(
        Document.objects.filter(pk__gt=last).select_related("corrects", "supplier").order_by("pk")[:CHUNK]
    ):
        last = chunk[-1].pk
        yield from _check_chunk(chunk, facts)
        progress(len(chunk))
    yield from _dates()
    yield from _returns()


class _Facts(NamedTuple):
    """What all documents are read with."""

    outside: dict[PlaceKind, str]
    books: Books
    shelf_lives: dict[str, ShelfLife]


def _check_chunk(chunk: list[Document], facts: _Facts) -> Iterator[Disagreement]:
    moved = _movements({document.pk for document in chunk} | {d.corrects_id for d in chunk})
    found_by_counts = _count_lines(chunk)
    lots = receipt_checks.stored_lots(chunk)
    for document in chunk:
        says: dict[str, Any] = document.content
        if document.digest != digest(says):
            yield Disagreement("digest of content", str(document), document.digest, digest(says))
            # Its content is no longer evidence.
            continue
        mine, undone = moved[document.pk], moved[document.corrects_id or 0]
        checks = (
            _header(document, says),
            _order(document, mine),
            _steps(document, says, [of.step for of in mine], [of.step for of in undone], facts.outside),
            _compare(document, "count line", found_by_counts[document.pk], _said_counts(says)),
            receipt_checks.lots(document, says, lots[document.pk], facts.shelf_lives, facts.books),
            _landed(document, says, mine, facts.books.minor_unit),
        )
        yield from named_where_unreadable("content of document", str(document), chain(*checks))


def _header(document: Document, says: dict[str, Any]) -> Iterator[Disagreement]:
    corrects = f"{says['corrects_kind']} {says['corrects_id']}" if "corrects_id" in says else "none"
    for name, stored, said in (
        ("kind", document.kind, says["kind"]),
        ("id", document.client_id, says["id"]),
        ("order", document.order, natural_order(says["id"])),
        ("occurred_at", document.occurred_at, datetime.fromisoformat(says["occurred_at"])),
        ("supplier", str(document.supplier or "none"), says.get("supplier", "none")),
        ("corrects", str(document.corrects or "none"), corrects),
    ):
        if stored != said:
            yield Disagreement(f"{name} of document", str(document), stored, said)


def _order(document: Document, moved: list[StoredMovement]) -> Iterator[Disagreement]:
    """Compare what orders the movements of a document: their rank among others, their lines and parts."""
    rank = _rank(document)
    for movement in moved:
        if movement.rank != rank:
            where = f"{document} line {movement.step.line}.{movement.part}"
            yield Disagreement("rank of movement", where, movement.rank, rank)
    numbers = [(movement.step.line, movement.part) for movement in moved]
    for (line, part), expected in zip(numbers, _numbers(document.kind, numbers), strict=True):
        if (line, part) != expected:
            yield Disagreement(
                "number of movement",
                str(document),
                f"line {line}.{part}",
                f"line {expected[0]}.{expected[1]}",
            )


def _rank(document: Document) -> int:
    if document.corrects is None:
        return RANKS[DocumentKind(document.kind)]
    undoes_receipt = document.corrects.kind == DocumentKind.RECEIPT
    return CORRECTION_OUT_OF_STOCK_RANK if undoes_receipt else CORRECTION_INTO_STOCK_RANK


def _numbers(kind: str, numbers: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the (line, part) that movements have to have, in order.

    What undoes movements numbers its own; only what a count books comes in several parts.
    """
    if kind in (DocumentKind.RETURN, DocumentKind.CORRECTION):
        return [(line, 0) for line in range(1, len(numbers) + 1)]
    if kind != DocumentKind.COUNT:
        return [(line, 0) for line, _ in numbers]
    parts: Counter[int] = Counter()
    expected = []
    for line, _ in numbers:
        expected.append((line, parts[line]))
        parts[line] += 1
    return expected


def _steps(
    document: Document,
    says: dict[str, Any],
    mine: list[Step],
    undone: list[Step],
    outside: dict[PlaceKind, str],
) -> Iterator[Disagreement]:
    """Compare what the movements of a document do with what it says; what counts book is checked there."""
    if document.kind == DocumentKind.RETURN:
        yield from _compare(document, "returned", _totals(mine), _totals(_said(says, outside)))
    elif document.kind == DocumentKind.CORRECTION:
        back = [Step(0, step.consumable, step.quantity, step.destination, step.source) for step in undone]
        yield from _compare(document, "movement", [step._replace(line=0) for step in mine], back)
    elif document.kind != DocumentKind.COUNT:
        yield from _compare(document, "movement", mine, _said(says, outside))


def _landed(
    document: Document, says: dict[str, Any], moved: list[StoredMovement], minor_unit: Decimal
) -> Iterator[Disagreement]:
    """Compare landed values with what a receipt gives; nothing else lands."""
    stored = [(movement.step.line, movement.landed_value) for movement in moved]
    if document.kind == DocumentKind.RECEIPT:
        yield from receipt_checks.landed_values(document, says, stored, minor_unit)
        return
    for line, value in stored:
        if value is not None:
            yield Disagreement("landed value", f"{document} line {line}", value, "none")


def _movements(documents: Iterable[int | None]) -> dict[int, list[StoredMovement]]:
    """Return the movements of documents, in order."""
    moved: dict[int, list[StoredMovement]] = defaultdict(list)
    rows = Movement.objects.filter(document__in=[pk for pk in documents if pk is not None])
    for document, line, part, rank, landed_value, consumable, quantity, source, destination in rows.order_by(
        "line", "part"
    ).values_list(
        *("document_id", "line", "part", "rank", "landed_value"),
        *("consumable__code", "quantity", "source__code", "destination__code"),
    ):
        step = Step(line, consumable, quantity, source, destination)
        moved[document].append(StoredMovement(step, part, rank, landed_value))
    return moved


def _said(says: dict[str, Any], outside: dict[PlaceKind, str]) -> list[Step]:
    """Return the steps that a document's content asks for."""
    kind = says["kind"]
    if kind == DocumentKind.RECEIPT:
        ends = (outside[PlaceKind.SUPPLIER], says["place"])
    elif kind == DocumentKind.TRANSFER:
        ends = (says["source"], says["destination"])
    elif kind == DocumentKind.RETURN:
        ends = (outside[PlaceKind.JOB], says["place"])
    else:
        ends = (says["place"], outside[PlaceKind.SCRAPPED if kind == DocumentKind.SCRAP else PlaceKind.JOB])
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


def _said_counts(says: dict[str, Any]) -> Iterator[Found]:
    if says["kind"] == DocumentKind.COUNT:
        for number, line in enumerate(says["lines"], 1):
            yield Found(number, line["place"], line["consumable"], Decimal(line["quantity"]))


def _count_lines(chunk: list[Document]) -> dict[int, list[Found]]:
    found: dict[int, list[Found]] = defaultdict(list)
    lines = CountLine.objects.filter(document__in=chunk).order_by("line")
    for document, line, place, consumable, quantity in lines.values_list(
        "document_id", "line", "place__code", "consumable__code", "quantity"
    ):
        found[document].append(Found(line, place, consumable, quantity))
    return found


def _compare(
    document: Document, what: str, stored: list[Any], expected: Iterable[Any]
) -> Iterator[Disagreement]:
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


def _dates() -> Iterator[Disagreement]:
    """Yield movements and counts that happened or posted at another moment than their document."""
    movements = Movement.objects.exclude(document__kind=DocumentKind.CORRECTION).select_related("document")
    for movement in movements.exclude(occurred_at=F("document__occurred_at")):
        yield Disagreement(
            "occurred_at of movement", str(movement), movement.occurred_at, movement.document.occurred_at
        )
    # What a count books later may post later: the period it looks at may have been locked meanwhile.
    for movement in movements.exclude(
        Q(document__kind=DocumentKind.COUNT) | Q(posted_at=F("document__posted_at"))
    ):
        yield Disagreement(
            "posted_at of movement", str(movement), movement.posted_at, movement.document.posted_at
        )
    lines = CountLine.objects.exclude(counted_at=F("document__occurred_at")).select_related("document")
    for line in lines:
        yield Disagreement("counted_at of count line", str(line), line.counted_at, line.document.occurred_at)


def _returns() -> Iterator[Disagreement]:
    """Yield movements of which more came back than went."""
    back = Sum("reversals__quantity", filter=Q(reversals__document__corrected_by__isnull=True))
    too_much = Movement.objects.annotate(back=back).filter(back__gt=F("quantity"))
    for movement in too_much.select_related("document"):
        yield Disagreement(
            "returned quantity", str(movement), movement.back, f"up to {movement.quantity:.4f}"
        )
