"""A shop with two months of every kind of movement."""

from datetime import date
from decimal import Decimal

from inventory import documents, ledger
from shop.accounting.periods import Period, month_of
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    PAD,
    at,
    charge_overhead,
    close,
    correct,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

MARCH, APRIL = month_of(date(2026, 3, 1)), month_of(date(2026, 4, 1))


def open_two_months() -> None:
    """Open a shop; some documents of March come after it was locked."""
    open_shop()
    pay("60")
    charge_overhead("3000", "9000", "0.4")
    receive(
        "R-1", "2026-03-01", (DISC, "33", "100"), (COMPOUND, "1000", "80"), (PAD, "4", "61"), freight="7.77"
    )
    close("J-1", "2026-03-02", used(DISC, "3", "20"), used(PAD, "1", "25"), used(COMPOUND, "41"))
    close("J-2", "2026-03-05", used(FINE_DISC, "4", "30"), technician="bo", damage_type="scuff")
    give_back("B-1", "2026-03-06", ("close", "close-J-1"), (DISC, "1"))
    lines = (documents.StockLine(COMPOUND, Decimal(100)),)
    ledger.post(documents.Scrap("S-1", at("2026-03-08"), "DEPOT", "dried out", lines), now=NOW)
    found = (
        documents.CountedLine("DEPOT", DISC, Decimal(30)),
        documents.CountedLine("VAN-1", DISC, Decimal(2)),
    )
    ledger.post(documents.Count("N-1", at("2026-03-10"), found), now=NOW)
    receive("R-2", "2026-03-20", (FINE_DISC, "3", "10"), (DISC, "10", "44"))
    close("J-3", "2026-03-25", used(DISC, "2"))
    lock("2026-04-01")
    close("J-4", "2026-03-28", used(DISC, "5"), used(PAD, "0", "40"))
    correct("K-3", "close", "close-J-3")
    receive("R-3", "2026-04-02", (FINE_DISC, "10", "41"))
    use_more("U-1", "J-4", used(FINE_DISC, "15"))
    correct("K-R", "receipt", "R-2")


def query(period: Period) -> str:
    if period == Period():
        return "period=all+time"
    return f"start={period.start or ''}&end={period.end or ''}"
