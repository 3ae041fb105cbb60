"""A small shop that has some weeks of work behind it: three vans, two suppliers, four kinds of discs."""

from datetime import UTC, datetime, time, timedelta
from decimal import Decimal

from forecasting.models import PackTerms, StockingTerms, SupplierTerms
from inventory import documents, ledger
from inventory.models import Consumable, ConsumableKind, CostPolicy, Pack, Place, PlaceKind, Supplier
from inventory.valuation.cost_layers import CostFormula
from shop.jobs.close_data import JobClose, UsedLine
from shop.jobs.close_job import close_many
from shop.models import JobType, Person, Role, Technician, Van

WEEKS = 16
VANS = ("VAN-1", "VAN-2", "VAN-3")
DISCS = ("DISC-P400", "DISC-P800", "DISC-P1500", "DISC-P3000")
ADDRESSES = {van: f"van{number}@example.org" for number, van in enumerate(VANS, start=1)}
SHOP_ADDRESS = "depot@example.org"
SUPPLIER_ADDRESS = "orders@example.org"


def open_fleet(now: datetime | None = None) -> None:
    """Make the shop as of a moment, with letters at midnight when Monday begins."""
    set_up_fleet()
    record_past(now)


def this_monday(now: datetime | None = None) -> datetime:
    """Return the moment at which the week of a moment began, now by default."""
    now = now or datetime.now(UTC)
    return (now - timedelta(days=now.weekday())).replace(hour=0, minute=0, second=0, microsecond=0)


def set_up_fleet() -> None:
    """Make the shop with nothing in its books."""
    CostPolicy.objects.create(method=CostFormula.MOVING_AVERAGE)
    Place.objects.create(code="DEPOT", kind=PlaceKind.DEPOT)
    JobType.objects.create(code="polish")
    for number, code in enumerate(VANS, start=1):
        van = Van.objects.create(place=Place.objects.create(code=code, kind=PlaceKind.VAN))
        person = Person.objects.create(
            username=f"person-{number}", email=ADDRESSES[code], role=Role.TECHNICIAN
        )
        Technician.objects.create(code=f"tech-{number}", van=van, person=person)
    _suppliers()
    StockingTerms.objects.update(restock_emails=SHOP_ADDRESS, letter_weekday=1, letter_time=time())


def record_past(now: datetime | None = None) -> None:
    """Record all that happened up to this week's Monday, now or as if at another moment."""
    now = now or datetime.now(UTC)
    start = this_monday(now) - timedelta(weeks=WEEKS)
    received = tuple(documents.ReceiptLine(code, Decimal(320), Decimal(640)) for code in DISCS)
    ledger.post(documents.Receipt("R-0", start, "SUP-1", "DEPOT", received), now=now)
    for place in VANS:
        moved = tuple(documents.StockLine(code, Decimal(100)) for code in DISCS)
        ledger.post(documents.Transfer(f"T-{place}", start, "DEPOT", place, moved), now=now)
    close_many(_closes(start), now=now)


def record_late_close() -> None:
    """Record a job of the week before that nobody has heard of yet."""
    close("late", this_monday() - timedelta(days=2))


def close(name: str, when: datetime) -> None:
    """Close a job of the first van that took three of each disc."""
    close_many([_close(f"late-{name}", VANS[0], when, dict.fromkeys(DISCS, 3))], now=datetime.now(UTC))


def _suppliers() -> None:
    suppliers = [Supplier.objects.create(code=code, email=SUPPLIER_ADDRESS) for code in ("SUP-1", "SUP-2")]
    for supplier in suppliers:
        SupplierTerms.objects.create(supplier=supplier, lead_days=7)
    for number, code in enumerate(DISCS):
        disc = Consumable.objects.create(
            code=code, name=code.title(), kind=ConsumableKind.COUNTED, stock_unit="each", grade=code[5:]
        )
        pack = Pack.objects.create(
            consumable=disc, supplier=suppliers[number % 2], name="box", stock_units=Decimal(10)
        )
        PackTerms.objects.create(pack=pack, price=Decimal(25))


def _closes(start: datetime) -> list[JobClose]:
    """Return three jobs a week on each van, which take one to three of each disc."""
    return [
        _close(
            f"{week}-{van}-{turn}",
            van,
            start + timedelta(weeks=week, days=turn, hours=9),
            dict.fromkeys(DISCS, 1 + (week + number + turn) % 3),
        )
        for week in range(WEEKS)
        for number, van in enumerate(VANS, start=1)
        for turn in range(3)
    ]


def _close(name: str, van: str, when: datetime, uses: dict[str, int]) -> JobClose:
    return JobClose(
        id=f"C-{name}",
        job=f"J-{name}",
        van=van,
        technician=f"tech-{VANS.index(van) + 1}",
        closed_at=when,
        job_type="polish",
        damage_type="scratch",
        glass="tempered",
        price=Decimal(200),
        labour_minutes=Decimal(60),
        travel_minutes=Decimal(30),
        outcome="removed",
        uses=tuple(
            UsedLine(code, Decimal(quantity), Decimal(10), Decimal(0)) for code, quantity in uses.items()
        ),
    )
