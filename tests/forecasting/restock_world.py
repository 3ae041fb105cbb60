"""A restock to write letters about, made without any forecast: two lines for VAN-1 of a small shop."""

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from forecasting.models import ForecastRun, Restock, RestockLine
from inventory import documents, ledger
from inventory.models import Consumable, Place
from shop.models import GlassType, Job, Person, Technician, Van
from tests.shop.world import COMPOUND, DISC, book, open_shop

# A Monday.
NOW = datetime(2026, 11, 23, 6, tzinfo=UTC)
WEEK = "2026-W48"


def open_letter_shop(zone: str = "Europe/Lisbon") -> None:
    """Make the shop of tests.shop.world; Ann, who drives VAN-1, can be written to."""
    open_shop(zone)
    ann = Technician.objects.get(code="ann")
    ann.person = Person.objects.create(username="ann", email="ann@example.org")
    ann.van = Van.objects.get(place__code="VAN-1")
    ann.save()


def restock(van: str = "VAN-1", period: str = WEEK, **lines: Any) -> Restock:
    """Draft a restock by hand: 12 discs, and 250 of the 500 ml of compound that are wanted."""
    run = ForecastRun.objects.create(
        known_at=NOW, first_week=date(2026, 1, 5), weeks=40, levels=[0.5, 0.95], made_at=NOW, finished_at=NOW
    )
    made = Restock.objects.create(
        van=Place.objects.get(code=van),
        depot=Place.objects.get(code="DEPOT"),
        period=period,
        run=run,
        inputs={},
        made_at=NOW,
    )
    for code, wanted, suggested, why in (
        (DISC, 12, 12, "18 cover the next 9 days in 95 of 100 cases; with 6 on board, 12 are missing."),
        (
            COMPOUND,
            500,
            250,
            "750 ml cover the next 9 days in 95 of 100 cases; with 250 on board, 500 are missing.",
        ),
    ):
        RestockLine.objects.create(
            restock=made,
            consumable=Consumable.objects.get(code=code),
            service_class="A",
            service=Decimal("0.95"),
            on_hand=Decimal(6),
            on_the_way=Decimal(0),
            booked_need=Decimal(0),
            median=Decimal(9),
            high=Decimal(18),
            order_up_to=Decimal(18),
            wanted=Decimal(wanted),
            suggested=Decimal(suggested),
            unit_cost=Decimal(2),
            why=why,
            **lines,
        )
    return made


def receive_lot(lot: str, expires_on: date, quantity: str = "40", place: str = "DEPOT") -> None:
    """Receive compound that expires."""
    line = documents.ReceiptLine(
        COMPOUND, Decimal(quantity), Decimal(10), lot=lot, expires_on=expires_on.isoformat()
    )
    moment = datetime(2026, 11, 2, tzinfo=UTC)
    ledger.post(documents.Receipt(f"R-{lot}", moment, "SUP", place, (line,)), now=NOW)


def book_on_van(reference: str, day: date, van: str = "VAN-1", caution: str = "") -> Job:
    """Book a job on a van."""
    GlassType.objects.filter(code="laminated").update(caution=caution)
    return book(reference, van=Van.objects.get(place__code=van), technician=None, booked_for=day)
