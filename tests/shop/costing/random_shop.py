"""Random documents, rates and locks of a shop, for tests that hold whatever happens."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from inventory import ledger
from inventory.documents import Correction, Receipt, ReceiptLine, Return, StockLine
from inventory.ledger.period_lock import change_lock, open_from
from shop.costing import rates
from shop.jobs import additional_usage, close_job, returns_and_corrections
from shop.jobs.close_data import JobUses
from shop.models import (
    Job,
    LabourRate,
    OverheadRate,
    Technician,
)
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    at,
    closing_of,
    used,
)

MOMENTS = st.integers(0, 150).map(lambda hours: at("2026-03-20") + timedelta(hours=12 * hours))
QUANTITIES = st.integers(1, 9).map(Decimal)
LINES = st.lists(
    st.builds(
        lambda code, quantity, minutes: used(code, str(quantity), str(minutes)),
        st.sampled_from([DISC, COMPOUND, PAD]),
        QUANTITIES,
        st.integers(0, 40),
    ),
    max_size=3,
)
ACTIONS = st.lists(
    st.tuples(
        st.sampled_from(
            ["receive", "receive", "close", "close", "close", "use", "return", "correct", "rate", "lock"]
        ),
        MOMENTS,
        LINES,
        st.integers(0, 1000),
    ),
    min_size=4,
    max_size=22,
)


class RandomShop:
    """Posts what was drawn; the ledger may refuse what makes no sense, and nothing else goes wrong."""

    def __init__(self) -> None:
        self.jobs: list[str] = []
        self.posted: list[tuple[str, str]] = []

    def do(self, number: int, what: str, moment: datetime, lines: list[Any], choice: int) -> None:
        """Do one thing; one that does not apply does nothing."""
        getattr(self, f"_{what}")(f"D-{number}", moment, tuple(lines), choice)

    def _receive(self, id_: str, moment: datetime, lines: tuple[Any, ...], choice: int) -> None:
        made = tuple(
            ReceiptLine(code, Decimal(1 + choice % 9), Decimal(choice)) for code in (DISC, COMPOUND, PAD)
        )
        ledger.post(Receipt(id_, moment, "SUP", "DEPOT", made, freight=Decimal(choice % 7)), now=NOW)
        self.posted.append(("receipt", id_))

    def _close(self, id_: str, moment: datetime, lines: tuple[Any, ...], choice: int) -> None:
        opened = list(Job.objects.filter(status="booked").values_list("reference", flat=True))
        job = opened[0] if opened and choice % 2 else f"J-{id_}"
        originals = [one for one in self.jobs if one != job]
        one = closing_of(
            job,
            moment.isoformat(),
            *lines,
            id=id_,
            van=f"VAN-{choice % 2 + 1}",
            technician=("ann", "bo")[choice % 2],
            damage_type=("scratch", "scuff", "other")[choice % 3],
            price=Decimal(choice),
            callback_of=originals[choice % len(originals)] if originals and choice % 3 == 0 else "",
        )
        try:
            close_job.close_job(one, now=NOW)
        except ledger.Refused as refused:
            assert "comes back to the job itself" in str(refused)  # noqa: PT017 - the only reason there is
            return
        self.jobs.append(job)
        self.posted.append(("close", id_))

    def _use(self, id_: str, moment: datetime, lines: tuple[Any, ...], choice: int) -> None:
        closed = list(Job.objects.filter(status="closed").order_by("reference"))
        if closed and lines:
            additional_usage.add_uses_many(
                [JobUses(id_, closed[choice % len(closed)].reference, lines)], now=NOW
            )
            self.posted.append(("use", id_))

    def _return(self, id_: str, moment: datetime, lines: tuple[Any, ...], choice: int) -> None:
        of = [document for document in self.posted if document[0] in ("close", "use")]
        if of and lines:
            back = Return(
                id_, NOW, "DEPOT", *of[choice % len(of)], (StockLine(lines[0].consumable, Decimal(1)),)
            )
            self._unless_refused(back, "return", id_)

    def _correct(self, id_: str, moment: datetime, lines: tuple[Any, ...], choice: int) -> None:
        if self.posted:
            kind, corrects = self.posted[choice % len(self.posted)]
            self._unless_refused(Correction(id_, NOW, kind, corrects, "a mistake"), "correction", id_)

    def _unless_refused(self, document: Any, kind: str, id_: str) -> None:
        try:
            returns_and_corrections.post(document, now=NOW)
        except ledger.Refused:
            return
        if kind != "correction":
            self.posted.append((kind, id_))

    def _rate(self, id_: str, moment: datetime, lines: tuple[Any, ...], choice: int) -> None:
        first_open = open_from()
        day = max(moment, first_open).date() + timedelta(days=1) if first_open else moment.date()
        technician = Technician.objects.get(code="ann") if choice % 2 else None
        new: list[LabourRate | OverheadRate] = [rates.labour_rate(Decimal(choice), day, technician)]
        if choice % 3:
            new.append(
                rates.overhead_rate(day, monthly_overhead=Decimal(choice), capacity_minutes=Decimal(900))
            )
        rates.save_rates(new, UTC)

    def _lock(self, id_: str, moment: datetime, lines: tuple[Any, ...], choice: int) -> None:
        first_open = open_from()
        if first_open is None or moment > first_open:
            change_lock(moment, reason="closed", by="", now=NOW)
