"""The one way in for stock changes: `post` a document, or `post_many`.

A posting is exactly-once (the same id with the same content is answered with the first result), complete
(document, movements, holdings and values change together or not at all), and never refused because the
stock says otherwise: used stock is gone, so the holding goes negative and the document is flagged.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from django.utils import timezone

from inventory import documents, signals
from inventory.db import analyze
from inventory.documents import DocumentKind, Problem
from inventory.ledger import count_adjustments, flags
from inventory.ledger.code_lookup import Catalogue
from inventory.ledger.count_adjustments import CountsAfter
from inventory.ledger.holdings import HoldingChanges
from inventory.ledger.journal_entries import RANKS, MovementPlan, Planner
from inventory.ledger.period_lock import open_from, posting_moment
from inventory.ledger.refusals import Conflict, Refused, keep_refused
from inventory.ledger.retry import RacedError, once_more_if_raced
from inventory.models import (
    Consumable,
    CostPool,
    CountLine,
    Document,
    Lot,
    Movement,
    Place,
    PlaceConsumable,
    PlaceKind,
)
from inventory.perpetual_valuation import stored_values

BATCH = 1000
TAKEN = (
    "was posted before with other content; both are kept: give this one an id of its own, "
    "or undo the first with a correction"
)
CLOCK_TOLERANCE = timedelta(days=1)
# What brings stock to a place and may be entered after the place was counted.
ARRIVALS = (DocumentKind.RECEIPT, DocumentKind.TRANSFER, DocumentKind.RETURN)


@dataclass(frozen=True, slots=True)
class Posting:
    """The answer to a document: its row, whether it was new, when it counts, and what a person should see."""

    document_id: int
    posted_at: datetime
    flags: tuple[str, ...]
    created: bool


def post(document: documents.Document, *, by: str = "", now: datetime | None = None) -> Posting:
    """Post one document. Raises Refused (Conflict when its id is taken by other content)."""
    return post_many([document], by=by, now=now)[0]


def post_many(
    batch: Iterable[documents.Document],
    *,
    by: str = "",
    now: datetime | None = None,
    progress: Callable[[int], object] = lambda _: None,
) -> list[Posting]:
    """Post documents, all or none; answers come in the order of `batch`.

    `progress` is called with the number of documents taken in since its last call. Raises Refused with
    every problem of every document; Conflict when all problems are ids taken by other content.
    """
    batch = list(batch)
    now = now or timezone.now()
    try:
        return once_more_if_raced(lambda: post_within(batch, Catalogue(), by=by, now=now, progress=progress))
    except Conflict as conflict:
        keep_refused(conflict, by=by, now=now)
        raise


def post_within(
    batch: Sequence[documents.Document],
    catalogue: Catalogue,
    *,
    by: str,
    now: datetime,
    progress: Callable[[int], object],
) -> list[Posting]:
    """Post documents inside `once_more_if_raced`, which undoes all of it and what goes with it.

    Raises what `post_many` does, and keeps no refused document. `catalogue` holds what was looked up before.
    """
    return _Run(catalogue, by, now).post(batch, progress)


def _parts(batch: Sequence[documents.Document]) -> Iterator[list[documents.Document]]:
    """Yield the batch in parts to write together; what undoes a document finds it written, so it is alone."""
    part: list[documents.Document] = []
    for document in batch:
        undoes = isinstance(document, documents.Return | documents.Correction)
        if part and (undoes or len(part) >= BATCH):
            yield part
            part = []
        part.append(document)
        if undoes:
            yield part
            part = []
    if part:
        yield part


def _answers(
    batch: Sequence[documents.Document], postings: dict[tuple[str, str], Posting]
) -> Iterator[Posting]:
    """Yield the posting of each document; what is in the batch twice is new once."""
    answered = set()
    for document in batch:
        key = (document.kind.value, document.id)
        posting = postings[key]
        yield replace(posting, created=posting.created and key not in answered)
        answered.add(key)


class _Run:
    """One posting of one or many documents, inside one transaction."""

    def __init__(self, catalogue: Catalogue, by: str, now: datetime) -> None:
        self.by = by
        self.now = now
        self.first_open = open_from(for_posting=True)
        self.catalogue = catalogue
        self.outside = {place.pk for place in catalogue.outside.values()}
        self.planner = Planner(catalogue, self.first_open, now)
        self.pools: dict[int, CostPool] = {}
        self.holdings = HoldingChanges(catalogue.outside)
        self.new_documents: set[int] = set()
        self.corrections: set[int] = set()
        self.problems: list[tuple[documents.Document, Problem]] = []
        self.conflicts = 0

    def post(self, batch: Sequence[documents.Document], progress: Callable[[int], object]) -> list[Posting]:
        """Post the batch and return its postings in order."""
        if len(batch) > 1:
            self._lock_pools(list(Consumable.objects.order_by("pk").values_list("pk", flat=True)))
        postings: dict[tuple[str, str], Posting] = {}
        for part in _parts(batch):
            self._post_part(part, postings)
            progress(len(part))
        if self.problems:
            error = Conflict if self.conflicts == len(self.problems) else Refused
            raise error(self.problems)
        analyze.after_writing(len(batch), Document, Movement, CountLine)
        self._settle_counts()
        self.holdings.write()
        if self.holdings.touched:
            changed = stored_values.advance(self.pools, self.holdings.touched, self.catalogue.outside)
            if (earlier := changed - self.new_documents) or self.holdings.received_from:
                signals.revalued.send(
                    sender=Movement,
                    documents=earlier,
                    received_from=dict(self.holdings.received_from),
                    corrections=frozenset(self.corrections),
                )
        return list(_answers(batch, postings))

    def _post_part(self, part: list[documents.Document], postings: dict[tuple[str, str], Posting]) -> None:
        self.catalogue.read(part)
        valid = []
        for document in part:
            if found := list(documents.problems(document)):
                found += self.planner.problems(document)
                self.problems += [(document, problem) for problem in found]
            else:
                valid.append(document)
        if len(self.pools) == 0:
            self._lock_pools(self._consumables_of(valid))
        new = self._without_known(valid, postings)
        plans = []
        for document, content, digest in new:
            plan = self.planner.plan(document)
            if isinstance(plan, MovementPlan):
                plans.append((plan, content, digest))
            else:
                self.problems += [(document, problem) for problem in plan]
        moved = {movement.consumable_id for plan, _, _ in plans for movement in plan.movements}
        if not moved <= self.pools.keys():
            raise RacedError
        if not self.problems:
            self._write(plans, postings)

    def _consumables_of(self, part: list[documents.Document]) -> list[int]:
        """Return the consumables that documents move: the named ones, and those of what they undo."""
        found = {
            self.catalogue.consumables[line.consumable].pk
            for document in part
            for line in getattr(document, "lines", ())
            if line.consumable in self.catalogue.consumables
        }
        for document in part:
            if isinstance(document, documents.Correction):
                undone = {
                    "document__kind": document.corrects_kind,
                    "document__client_id": document.corrects_id,
                }
                # A line of a count that has booked nothing may be about to: its pool is to be locked too.
                for rows in (Movement.objects.filter(**undone), CountLine.objects.filter(**undone)):
                    found |= set(rows.values_list("consumable_id", flat=True))
        return sorted(found)

    def _lock_pools(self, consumables: list[int]) -> None:
        """Lock the pools of consumables in the order of their ids, making those that are missing."""
        pools = CostPool.objects.filter(pk__in=consumables).order_by("pk")
        # Made before any is locked: a posting that waits for another's new row must not hold one it needs.
        if missing := sorted(set(consumables) - set(pools.values_list("pk", flat=True))):
            CostPool.objects.bulk_create((CostPool(pk=pk) for pk in missing), ignore_conflicts=True)
        self.pools = {pool.pk: pool for pool in pools.select_for_update()}

    def _without_known(
        self, part: list[documents.Document], postings: dict[tuple[str, str], Posting]
    ) -> list[tuple[documents.Document, dict[str, Any], str]]:
        """Answer documents that were posted before; return the others with their content and digest."""
        # The index goes by kind first.
        kinds, ids = {document.kind for document in part}, [document.id for document in part]
        rows = Document.objects.filter(kind__in=kinds, client_id__in=ids).order_by()
        known = {
            (kind, client_id): (digest, Posting(pk, posted_at, tuple(said), created=False))
            for kind, client_id, digest, pk, posted_at, said in rows.values_list(
                "kind", "client_id", "digest", "pk", "posted_at", "flags"
            )
        }
        new = []
        digests: dict[tuple[str, str], str] = {}
        for document in part:
            key = (document.kind.value, document.id)
            content = documents.content(document)
            digest = documents.digest(content)
            if key in known:
                first, posting = known[key]
                postings.setdefault(key, posting)  # what an earlier part of the batch posted stays new
            elif key in digests:
                first = digests[key]
            else:
                first = digests[key] = digest
                new.append((document, content, digest))
            if first != digest:
                self.conflicts += 1
                self.problems.append((document, Problem("id", document.id, TAKEN)))
        return new

    def _write(
        self, plans: list[tuple[MovementPlan, dict[str, Any], str]], postings: dict[tuple[str, str], Posting]
    ) -> None:
        self.holdings.read(plan for plan, _, _ in plans)
        self._read_counts_after(plans)
        rows = []
        for plan, content, digest in plans:
            document = plan.document
            rows.append(
                Document(
                    kind=document.kind,
                    client_id=document.id,
                    order=documents.natural_order(document.id),
                    digest=digest,
                    content=content,
                    flags=self._apply(plan),
                    occurred_at=document.occurred_at,
                    posted_at=plan.posted_at,
                    recorded_at=self.now,
                    recorded_by=self.by,
                    supplier_id=plan.supplier_id,
                    corrects=plan.corrects,
                )
            )
        Document.objects.bulk_create(rows, batch_size=BATCH)
        for (plan, _, _), row in zip(plans, rows, strict=True):
            for movement in plan.movements:
                movement.document = row
            for count_line in plan.count_lines:
                count_line.document = row
            for lot in plan.lots:
                lot.document = row
            self.new_documents.add(row.pk)
            if plan.corrects:
                self.corrections.add(row.pk)
            postings[row.kind, row.client_id] = Posting(row.pk, row.posted_at, tuple(row.flags), created=True)
        plain = [plan for plan, _, _ in plans]
        Movement.objects.bulk_create([m for plan in plain for m in plan.movements], batch_size=BATCH)
        CountLine.objects.bulk_create([c for plan in plain for c in plan.count_lines], batch_size=BATCH)
        Lot.objects.bulk_create([lot for plan in plain for lot in plan.lots], batch_size=BATCH)

    def _apply(self, plan: MovementPlan) -> list[str]:
        """Add the movements of a plan to the holdings; return its flags."""
        found = []
        if plan.document.occurred_at > self.now + CLOCK_TOLERANCE:
            found.append(flags.in_future(plan.document.occurred_at, self.planner.books.zone))
        if plan.corrects and plan.posted_at != plan.corrects.posted_at:
            found.append(flags.undone_late(plan.posted_at, self.planner.books.zone))
        if plan.corrects is None and plan.posted_at != plan.document.occurred_at:
            found.append(flags.late(plan.posted_at, self.planner.books.zone))
        found += self._lost_to_counts(plan)
        for movement in plan.movements:
            source = (movement.source_id, movement.consumable_id)
            held = self.holdings.held(source)
            self.holdings.move(movement)
            if (
                held is not None
                and movement.quantity > held
                and plan.document.kind != DocumentKind.CORRECTION
            ):
                found.append(self._shortage(movement, held))
        for line in plan.count_lines:
            self.holdings.touch((line.place_id, line.consumable_id), line.counted_at)
        return found

    def _lost_to_counts(self, plan: MovementPlan) -> Iterator[str]:
        """Yield what a plan brings to a place that was counted since then without finding it."""
        for pair, movement in _arrivals(plan, self.outside):
            if loss := self.counts_after.take(pair, movement.occurred_at, movement.quantity):
                line = loss.count_line
                yield flags.before_count(
                    f"{loss.lost.normalize():f} of {self._consumable(movement.consumable_id)}",
                    self._place(line.place_id).code,
                    line.counted_at,
                    line.document.client_id,
                    self.planner.books.zone,
                )

    def _place(self, key: int) -> Place:
        return next(place for place in self.catalogue.places.values() if place.pk == key)

    def _consumable(self, key: int) -> Consumable:
        return next(row for row in self.catalogue.consumables.values() if row.pk == key)

    def _shortage(self, movement: Movement, held: Decimal) -> str:
        place = self._place(movement.source_id)
        consumable = self._consumable(movement.consumable_id)
        went = movement.quantity.normalize()
        return (
            f"{place} held {held.normalize():f} of {consumable} by the book, {went:f} went out; "
            "enter the missing receipt or transfer, or count the place"
        )

    def _read_counts_after(self, plans: list[tuple[MovementPlan, dict[str, Any], str]]) -> None:
        """Read the counts that were posted before what plans bring to a place, and look at later moments."""
        arrivals = [arrival for plan, _, _ in plans for arrival in _arrivals(plan, self.outside)]
        self.counts_after = CountsAfter(
            {pair for pair, _ in arrivals},
            min((movement.occurred_at for _, movement in arrivals), default=self.now),
        )

    def _settle_counts(self) -> None:
        """Append the movements that counts need, now that everything else is in."""
        lost = self.catalogue.outside[PlaceKind.LOST].pk
        further = []
        for shift in count_adjustments.shifts(self.holdings.spans):
            line = shift.count_line
            found = shift.quantity > 0
            movement = Movement(
                document=line.document,
                line=line.line,
                part=shift.part,
                consumable_id=line.consumable_id,
                quantity=abs(shift.quantity),
                source_id=lost if found else line.place_id,
                destination_id=line.place_id if found else lost,
                occurred_at=line.counted_at,
                posted_at=posting_moment(line.counted_at, self.first_open),
                recorded_at=self.now,
                rank=RANKS[DocumentKind.COUNT],
                count_line=line,
            )
            further.append(movement)
            self.holdings.move(movement)
        Movement.objects.bulk_create(further, batch_size=BATCH)


def _arrivals(plan: MovementPlan, outside: set[int]) -> Iterator[tuple[PlaceConsumable, Movement]]:
    """Yield the movements that bring stock to a real place, except those of counts and corrections."""
    if plan.document.kind in ARRIVALS:
        for movement in plan.movements:
            if movement.destination_id not in outside:
                yield (movement.destination_id, movement.consumable_id), movement
