"""What places hold while documents are posted, and the moments that counts and values must follow."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from decimal import Decimal

from inventory.ledger.count_adjustments import Span
from inventory.ledger.journal_entries import MovementPlan
from inventory.models import Holding, Movement, Place, PlaceConsumable, PlaceKind

BATCH = 1000


class HoldingChanges:
    """The holdings that a posting changes: read once, moved in memory, written at its end.

    `spans` holds when something happened to a holding, `touched` and `received_from` the earliest moment at
    which something posted across the boundary of stock, or from or to a supplier, by consumable.
    """

    def __init__(self, outside: Mapping[PlaceKind, Place]) -> None:
        self._outside = {place.pk for place in outside.values()}
        self._supplier = outside[PlaceKind.SUPPLIER].pk
        self._held: dict[PlaceConsumable, Decimal] = {}
        self._changed: set[PlaceConsumable] = set()
        self.spans: dict[PlaceConsumable, Span] = {}
        self.touched: dict[int, datetime] = {}
        self.received_from: dict[int, datetime] = {}

    def read(self, plans: Iterable[MovementPlan]) -> None:
        """Read the holdings that plans change, as the book has them now."""
        pairs: set[PlaceConsumable] = set()
        for plan in plans:
            for movement in plan.movements:
                pairs.add((movement.source_id, movement.consumable_id))
                pairs.add((movement.destination_id, movement.consumable_id))
            pairs |= {(line.place_id, line.consumable_id) for line in plan.count_lines}
        new = {pair for pair in pairs if pair[0] not in self._outside and pair not in self._held}
        if not new:
            return
        self._held |= dict.fromkeys(new, Decimal(0))
        stored = Holding.objects.filter(
            place__in={place for place, _ in new}, consumable__in={consumable for _, consumable in new}
        )
        for place, consumable, quantity in stored.values_list("place_id", "consumable_id", "quantity"):
            if (place, consumable) in new:
                self._held[place, consumable] = quantity

    def held(self, pair: PlaceConsumable) -> Decimal | None:
        """Return what the book has at a place of what was read; None outside of stock."""
        return self._held.get(pair)

    def move(self, movement: Movement) -> None:
        """Take a movement into the holdings, and note what it touches."""
        for place, change in (
            (movement.source_id, -movement.quantity),
            (movement.destination_id, movement.quantity),
        ):
            pair = (place, movement.consumable_id)
            if pair not in self._held:
                continue
            self._held[pair] += change
            self._changed.add(pair)
            if movement.count_line_id is None:
                self.touch(pair, movement.occurred_at)
        if movement.count_line_id is not None and movement.reverses_id is not None:
            # A corrected count no longer anchors the book; the next one takes over what it booked.
            place = movement.source_id if movement.source_id not in self._outside else movement.destination_id
            self.touch((place, movement.consumable_id), movement.occurred_at)
        if movement.source_id in self._outside or movement.destination_id in self._outside:
            _note_earliest(self.touched, movement)
        if self._supplier in (movement.source_id, movement.destination_id):
            _note_earliest(self.received_from, movement)

    def touch(self, pair: PlaceConsumable, moment: datetime) -> None:
        """Note that something happened to a holding at a moment."""
        span = self.spans.get(pair)
        self.spans[pair] = span.including(moment) if span else Span(moment, moment)

    def write(self) -> None:
        """Store the holdings that changed."""
        Holding.objects.bulk_create(
            [
                Holding(place_id=place, consumable_id=consumable, quantity=self._held[place, consumable])
                for place, consumable in sorted(self._changed)
            ],
            batch_size=BATCH,
            update_conflicts=True,
            unique_fields=["place", "consumable"],
            update_fields=["quantity"],
        )


def _note_earliest(moments: dict[int, datetime], movement: Movement) -> None:
    """Keep the earliest moment at which something posted for the movement's consumable."""
    earliest = moments.get(movement.consumable_id, movement.posted_at)
    moments[movement.consumable_id] = min(earliest, movement.posted_at)
