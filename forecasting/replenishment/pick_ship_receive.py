"""A restock on its way: picked at the depot, under way, on board; each a transfer in the ledger.

The ids of the transfers come from the restock and the number of the try, so that a repeat counts once.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from decimal import Decimal

from django.db.models import Max, Q

from forecasting.models import Restock, RestockEvent, RestockLine, RestockStatus
from forecasting.replenishment.quantities import Quantities, as_text, chosen
from forecasting.workflow import Done, StepConflict, StepRefused, go, not_now, note, take
from inventory import ledger
from inventory.decimals import ZERO
from inventory.documents import Problem, StockLine, Transfer
from inventory.ledger.in_transit import transit_place
from inventory.models import CountLine, Document, Movement, Place

A_MOMENT = timedelta(milliseconds=1)
# The ids of all documents of restocks begin with this.
DOCUMENTS_START = "RESTOCK-"


def pick(restock_id: int, quantities: Quantities | None = None, *, by: str, now: datetime) -> Done[Restock]:
    """Pick and ship an approved restock from the depot, each line as given or as approved.

    The same pick again is answered with the first. Raises StepRefused for quantities that are invalid or
    all 0; StepConflict when it is not approved, or was picked with other quantities.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        picked = chosen(lines, quantities, lambda line: line.approved or ZERO)
        if restock.status == RestockStatus.UNDER_WAY and picked == {
            line.consumable.code: line.picked for line in lines
        }:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.APPROVED:
            raise not_now(restock, "only an approved restock can be picked")
        if not any(picked.values()):
            raise StepRefused(
                [Problem("lines", "", "are all nothing; pick something, or cancel the restock")]
            )
        transit = lock_transit(restock.van)
        carried = _carry(restock, "OUT", (restock.depot, transit), picked, by=by, now=now)
        restock.sent_document_id = carried.document_id
        for line in lines:
            line.picked = picked[line.consumable.code]
        RestockLine.objects.bulk_update(lines, ["picked"])
        go(restock, RestockStatus.UNDER_WAY, "sent_document")
        note(restock, "picked", by=by, now=now, details={"picked": as_text(picked)})
        return Done(restock, changed=True, flags=carried.flags)

    return take(Restock, restock_id, step)


def confirm(
    restock_id: int, quantities: Quantities | None = None, *, by: str, now: datetime
) -> Done[Restock]:
    """Receive on the van what arrived, each line as given or as picked; the rest stays under way.

    The same answer again is answered with the first. Raises StepRefused for invalid quantities;
    StepConflict when the restock is not under way, or was confirmed with other quantities.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        received = chosen(lines, quantities, lambda line: line.picked or ZERO)
        if restock.status == RestockStatus.RECEIVED and received == _confirmed(restock, lines):
            return Done(restock, changed=False)
        if restock.status != RestockStatus.UNDER_WAY:
            raise not_now(restock, "only what is under way can be confirmed")
        if (undone_by := _undone_by(restock.sent_document)) is not None:
            expected = f"was undone by correction {undone_by.client_id}; take the pick back"
            raise StepConflict([Problem("sent_document", restock.sent_document, expected)])
        flags: tuple[str, ...] = ()
        if any(received.values()):
            transit = lock_transit(restock.van)
            carried = _carry(restock, "IN", (transit, restock.van), received, by=by, now=now)
            restock.received_document_id = carried.document_id
            flags = carried.flags
        for line in lines:
            line.received = received[line.consumable.code]
        RestockLine.objects.bulk_update(lines, ["received"])
        go(restock, RestockStatus.RECEIVED, "received_document")
        open_ = as_text({line.consumable.code: line.open for line in lines})
        details = {"received": as_text(received), **({"missing": open_} if open_ else {})}
        note(restock, "confirmed", by=by, now=now, details=details)
        return Done(restock, changed=True, flags=flags)

    return take(Restock, restock_id, step)


def take_pick_back(restock_id: int, *, by: str, now: datetime) -> Done[Restock]:
    """Undo a pick that nobody has confirmed: all of it is at the depot again, and the restock approved.

    Raises StepConflict when it is neither under way nor approved.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:  # noqa: ARG001 - a step gets both
        if restock.status == RestockStatus.APPROVED:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.UNDER_WAY:
            raise not_now(restock, "only a pick that nobody has confirmed can be taken back")
        way = lock_transit(restock.van), restock.depot
        _bring_back(restock, restock.sent_document, way, by=by, now=now)
        restock.sent_document = None
        restock.lines.update(picked=None)
        go(restock, RestockStatus.APPROVED, "sent_document")
        note(restock, "pick taken back", by=by, now=now)
        return Done(restock, changed=True)

    return take(Restock, restock_id, step)


def take_confirmation_back(restock_id: int, *, by: str, now: datetime) -> Done[Restock]:
    """Undo a confirmation of which nothing was settled since: all of it is under way again.

    Raises StepConflict when it is neither received nor under way, or when differences were settled.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        if restock.status == RestockStatus.UNDER_WAY:
            return Done(restock, changed=False)
        if restock.status != RestockStatus.RECEIVED:
            raise not_now(restock, "only a confirmation can be taken back")
        if {line.consumable.code: line.received for line in lines} != _confirmed(restock, lines) or any(
            line.brought_back or line.lost for line in lines
        ):
            raise StepConflict(
                [
                    Problem(
                        "status", restock.status, "has differences that were settled; count the van instead"
                    )
                ]
            )
        way = restock.van, lock_transit(restock.van)
        _bring_back(restock, restock.received_document, way, by=by, now=now)
        restock.received_document = None
        restock.lines.update(received=None)
        go(restock, RestockStatus.UNDER_WAY, "received_document")
        note(restock, "confirmation taken back", by=by, now=now)
        return Done(restock, changed=True)

    return take(Restock, restock_id, step)


def lock_transit(van: Place) -> Place:
    """Return the place of what is under way to a van, held until the transaction ends."""
    return Place.objects.select_for_update(of=("self",)).get(pk=transit_place(van).pk)


def moment_at(transit: Place, now: datetime) -> datetime:
    """Return the moment of a new movement there: now, but after all earlier ones.

    Two machines' clocks differ, and a count takes what is dated before it for part of what it found.
    """
    moved = Movement.objects.filter(Q(source=transit) | Q(destination=transit))
    last = moved.aggregate(last=Max("occurred_at"))["last"]
    counted = CountLine.objects.filter(place=transit).aggregate(last=Max("counted_at"))["last"]
    moments: list[datetime] = [now, *(moment + A_MOMENT for moment in (last, counted) if moment)]
    return max(moments)


def document_id(restock: Restock, what: str) -> str:
    """Return the id of the next document of a kind of step: one more than there were such steps."""
    steps = {"OUT": "picked", "IN": "confirmed", "SETTLED": "settled"}
    before = RestockEvent.objects.filter(restock=restock, what=steps[what]).count()
    return f"{DOCUMENTS_START}{restock.period}-{restock.van.code}-{what}-{before + 1}"


def _carry(
    restock: Restock,
    what: str,
    way: tuple[Place, Place],
    quantities: Mapping[str, Decimal],
    *,
    by: str,
    now: datetime,
) -> ledger.Posting:
    source, destination = way
    transit = destination if what == "OUT" else source
    lines = tuple(StockLine(code, quantity) for code, quantity in quantities.items() if quantity)
    document = Transfer(
        id=document_id(restock, what),
        occurred_at=moment_at(transit, now),
        source=source.code,
        destination=destination.code,
        lines=lines,
        note=f"Restock {restock}",
    )
    return ledger.post(document, by=by, now=now)


def _bring_back(
    restock: Restock, document: Document | None, way: tuple[Place, Place], *, by: str, now: datetime
) -> None:
    """Reverse a transfer by another one, now.

    A correction would reach back in time, and what was counted at either place since would undo it again.
    """
    if document is None or _undone_by(document) is not None:
        return
    source, destination = way
    transit = source if source.bound_for_id else destination
    lines = tuple(
        StockLine(line["consumable"], Decimal(line["quantity"])) for line in document.content["lines"]
    )
    back = Transfer(
        id=f"{document.client_id}-BACK",
        occurred_at=moment_at(transit, now),
        source=source.code,
        destination=destination.code,
        lines=lines,
        note=f"Restock {restock}, taken back",
    )
    ledger.post(back, by=by, now=now)


def _undone_by(document: Document | None) -> Document | None:
    return getattr(document, "corrected_by", None)


def _confirmed(restock: Restock, lines: list[RestockLine]) -> dict[str, Decimal]:
    """Return what the last confirmation said, by code."""
    said = RestockEvent.objects.filter(restock=restock, what="confirmed").last()
    received = said.details.get("received", {}) if said else {}
    return {line.consumable.code: Decimal(received.get(line.consumable.code, 0)) for line in lines}
