"""Discrepancies between picked and received quantities: a person says once where the difference is."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from forecasting.models import Restock, RestockEvent, RestockLine, RestockStatus
from forecasting.replenishment.pick_ship_receive import A_MOMENT, document_id, lock_transit, moment_at
from forecasting.replenishment.quantities import wrong_quantity
from forecasting.workflow import Done, StepConflict, StepRefused, not_now, note, take
from inventory import ledger
from inventory.decimals import ZERO
from inventory.documents import Count, CountedLine, Document, Problem, StockLine, Transfer
from inventory.models import CostPool, Holding, Place
from shop.common.text import exact


@dataclass(frozen=True, slots=True)
class Settlement:
    """Where the open quantity of a line is: at the depot, on the van, or lost; each 0 or more.

    `open` is the open quantity as the person saw it. What was left open may be settled later. Where more
    arrived than was picked, `open` is negative, and the parts say how much more the depot had given, how much
    less there is on the van than was confirmed, and how much was found.
    """

    open: Decimal
    at_depot: Decimal = ZERO
    on_van: Decimal = ZERO
    lost: Decimal = ZERO

    @property
    def total(self) -> Decimal:
        """All that is settled."""
        return self.at_depot + self.on_van + self.lost

    def as_json(self) -> dict[str, str]:
        """Return it as an event keeps it."""
        named = {"at_depot": self.at_depot, "on_van": self.on_van, "lost": self.lost}
        return {
            "open": exact(self.open),
            **{name: exact(quantity) for name, quantity in named.items() if quantity},
        }


def settle(
    restock_id: int, settlements: Mapping[str, Settlement], *, by: str, now: datetime
) -> Done[Restock]:
    """Settle the differences of a received restock, by consumable code; the ledger follows.

    What is at the depot or on the van is carried there, what is lost is counted away. The same again is
    answered with the first. Raises StepRefused for invalid quantities; StepConflict when the open
    quantity is not what the person saw, or the restock is not received.
    """

    def step(restock: Restock, lines: list[RestockLine]) -> Done[Restock]:
        said = {code: settlement.as_json() for code, settlement in settlements.items() if settlement.total}
        last = RestockEvent.objects.filter(restock=restock, what="settled").last()
        if restock.status != RestockStatus.RECEIVED:
            raise not_now(restock, "differences show once the van has confirmed")
        if last is not None and said == last.details and not _fits(lines, settlements):
            return Done(restock, changed=False)
        by_code = {line.consumable.code: line for line in lines}
        _check(by_code, settlements, said)
        flags = _post(restock, by_code, settlements, by=by, now=now)
        for code in said:
            line, settlement = by_code[code], settlements[code]
            sign = 1 if settlement.open > 0 else -1
            line.brought_back += sign * settlement.at_depot
            line.received = (line.received or ZERO) + sign * settlement.on_van
            line.lost += sign * settlement.lost
        RestockLine.objects.bulk_update(lines, ["brought_back", "received", "lost"])
        note(restock, "settled", by=by, now=now, details=said)
        return Done(restock, changed=True, flags=flags)

    return take(Restock, restock_id, step)


def _fits(lines: list[RestockLine], settlements: Mapping[str, Settlement]) -> bool:
    """Whether every settlement is of what is open now."""
    open_ = {line.consumable.code: line.open for line in lines}
    return all(settlement.open == open_.get(code) for code, settlement in settlements.items())


def _check(
    lines: Mapping[str, RestockLine],
    settlements: Mapping[str, Settlement],
    said: Mapping[str, object],
) -> None:
    problems = []
    for code, settlement in settlements.items():
        line = lines.get(code)
        if line is None:
            problems.append(Problem("consumable", code, "is not on this restock; leave it out"))
            continue
        if settlement.open != line.open:
            now_open = f"was open when you looked; now it is {exact(line.open)}: look again"
            raise StepConflict([Problem(code, settlement.open, now_open)])
        parts = (settlement.at_depot, settlement.on_van, settlement.lost)
        wrong = ((part, wrong_quantity(line, part)) for part in parts)
        problems += [Problem(code, part, expected) for part, expected in wrong if expected]
        if settlement.total > (most := abs(line.open)):
            expected = f"is more than the {exact(most)} that are open; settle no more than that"
            problems.append(Problem(code, settlement.total, expected))
    if not said and not problems:
        problems.append(Problem("lines", "", "say nothing; say where at least one of them is"))
    if problems:
        raise StepRefused(problems)


def _post(
    restock: Restock,
    lines: Mapping[str, RestockLine],
    settlements: Mapping[str, Settlement],
    *,
    by: str,
    now: datetime,
) -> tuple[str, ...]:
    """Post what carries and counts; nobody else moves these consumables until the transaction ends."""
    transit = lock_transit(restock.van)
    pools = CostPool.objects.filter(pk__in=[lines[code].consumable_id for code in settlements])
    list(pools.order_by("pk").select_for_update())
    documents = list(_documents(restock, transit, settlements, moment_at(transit, now)))
    postings = ledger.post_many(documents, by=by, now=now)
    return tuple(flag for posting in postings for flag in posting.flags)


def _documents(
    restock: Restock, transit: Place, settlements: Mapping[str, Settlement], moment: datetime
) -> Iterator[Document]:
    """Yield the transfers, then the count of what is lost or found."""
    id_ = document_id(restock, "SETTLED")
    held = dict(Holding.objects.filter(place=transit).values_list("consumable__code", "quantity"))
    for name, place in (("at_depot", restock.depot), ("on_van", restock.van)):
        for missing in (True, False):
            carried = {
                code: quantity
                for code, settlement in settlements.items()
                if (settlement.open > 0) == missing and (quantity := getattr(settlement, name))
            }
            if not carried:
                continue
            source, destination = (transit, place) if missing else (place, transit)
            for code, quantity in carried.items():
                held[code] = held.get(code, ZERO) + (-quantity if missing else quantity)
            yield Transfer(
                f"{id_}-{place.code}{'' if missing else '-MORE'}"[:100],
                moment,
                source.code,
                destination.code,
                tuple(StockLine(code, quantity) for code, quantity in carried.items()),
                note=f"Differences of restock {restock}",
            )
    left = {
        code: held.get(code, ZERO) + (-settlement.lost if settlement.open > 0 else settlement.lost)
        for code, settlement in settlements.items()
        if settlement.lost
    }
    if left:
        yield _count(restock, transit, left, id_, moment + A_MOMENT)


def _count(
    restock: Restock, transit: Place, left: Mapping[str, Decimal], id_: str, moment: datetime
) -> Count:
    if short := {code: quantity for code, quantity in left.items() if quantity < 0}:
        expected = f"is what {transit} would hold by the book; correct what was taken out of it by hand"
        raise StepRefused([Problem(code, quantity, expected) for code, quantity in short.items()])
    lines = tuple(CountedLine(transit.code, code, quantity) for code, quantity in left.items())
    return Count(f"{id_}-LOST", moment, lines, note=f"Lost or found on the way: restock {restock}")
