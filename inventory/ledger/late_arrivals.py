"""Stock that arrived before a count and is entered after it: was it on the shelf when that was counted?

The book believes a count (inventory.ledger.count_adjustments). What is entered afterwards as having
arrived before it therefore either explains what the count found too much, or counts as lost. Where it was not
on the shelf yet, the count says too little: it is undone, and posted again at its moment with what arrived
added.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from uuid import NAMESPACE_URL, uuid5

from inventory import documents, ledger
from inventory.documents import Correction, Count, Receipt, Transfer
from inventory.ledger import Posting, count_adjustments
from inventory.models import Consumable, CountLine, Document, Place

Arrival = Receipt | Transfer


@dataclass(frozen=True, slots=True)
class Overtaken:
    """What an arrival would count as lost: in stock units by code of the consumable.

    `counts` are the counts of these since then at the place, the first of them first.
    """

    place: str
    lost: Mapping[str, Decimal]
    counts: tuple[Document, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """A person's answer: which count, by its id, was the first to see what arrived; None: none so far."""

    first: str | None


def overtaken(document: documents.Document) -> Overtaken | None:
    """Return what a document would count as lost by counts since it happened; None when it is nothing.

    None too for a document that brings nothing to a place, is not valid, or is posted already. At most five
    queries.
    """
    if not isinstance(document, Receipt | Transfer) or any(documents.problems(document)):
        return None
    if Document.objects.filter(kind=document.kind, client_id=document.id).exists():
        return None
    code = _place(document)
    arrived = _arrived(document)
    place = Place.objects.filter(code=code).first()
    consumables = dict(Consumable.objects.filter(code__in=arrived).values_list("pk", "code"))
    if place is None or not consumables:
        return None
    pairs = [(place.pk, key) for key in consumables]
    after = count_adjustments.CountsAfter(pairs, document.occurred_at)
    lost = {}
    counts: dict[int, CountLine] = {}
    for pair in pairs:
        name = consumables[pair[1]]
        if found := after.take(pair, document.occurred_at, arrived[name]):
            lost[name] = found.lost
            counts |= {line.document_id: line for line in after.lines(pair)}
    if not lost:
        return None
    in_order = sorted(counts.values(), key=lambda line: (line.counted_at, line.document.order))
    return Overtaken(code, lost, tuple(line.document for line in in_order))


def post(document: Arrival, seen: Seen | None, *, by: str, now: datetime | None = None) -> Posting:
    """Post an arrival with the corrections of the counts before the first that saw it, all or none.

    Without an answer, and for a document that is posted already, nothing but the document is posted. Raises
    what the ledger raises.
    """
    found = overtaken(document) if seen is not None else None
    if seen is None or found is None:
        return ledger.post(document, by=by, now=now)
    undone, again = [], []
    for count in found.counts:
        if count.client_id == seen.first:
            break
        # Of both ids, so that sending an answer twice counts once.
        id_ = f"recount-{uuid5(NAMESPACE_URL, f'{document.kind}/{document.id}/{count.client_id}')}"
        reason = f"{document.kind} {document.id} was not on the shelf when this was counted"
        undone.append(Correction(id_, count.occurred_at, count.kind, count.client_id, reason))
        again.append(_with_arrival(count, id_, found, _arrived(document)))
    batch: list[documents.Document] = [*undone, document, *again]
    return ledger.post_many(batch, by=by, now=now)[len(undone)]


def _with_arrival(count: Document, id_: str, found: Overtaken, arrived: Mapping[str, Decimal]) -> Count:
    """Return a count again, with what arrived added to what it found at the place."""
    lines = []
    for said in count.content["lines"]:
        line = documents.CountedLine(said["place"], said["consumable"], Decimal(said["quantity"]))
        if line.place == found.place and line.consumable in found.lost:
            line = replace(line, quantity=line.quantity + arrived[line.consumable])
        lines.append(line)
    return Count(id_, count.occurred_at, tuple(lines), count.content["note"])


def _place(document: Arrival) -> str:
    return document.place if isinstance(document, Receipt) else document.destination


def _arrived(document: Arrival) -> dict[str, Decimal]:
    quantities: dict[str, Decimal] = defaultdict(Decimal)
    for line in document.lines:
        quantities[line.consumable] += line.quantity
    return quantities
