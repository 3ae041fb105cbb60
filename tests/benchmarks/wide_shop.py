"""Fills a migrated database with many rows behind every list; for measurements only.

The books, jobs and people are in `wide_books.py`; here is what rests on them.
"""

from datetime import timedelta
from decimal import Decimal

from axes.models import AccessLog
from django.contrib.admin.models import CHANGE, LogEntry
from django.contrib.contenttypes.models import ContentType
from django.db import transaction
from django.utils import timezone

from forecasting.models import (
    BurnForecast,
    ForecastRun,
    Letter,
    PackTerms,
    PeriodWork,
    Purchase,
    PurchaseLeftOut,
    PurchaseLine,
    Restock,
    RestockLine,
    SupplierTerms,
)
from forecasting.schedule import WorkKind
from inventory.decimals import ONE
from inventory.models import Consumable
from shop.models import Person
from tests.benchmarks.wide_books import CONSUMABLES, WideBooks, add


def fill(rows: int, consumables: int = CONSUMABLES) -> None:
    """Put about so many rows behind every list: so many jobs, and vans for so many holdings."""
    with transaction.atomic():
        books = WideBooks(rows, consumables)
        books.fill()
        _WideShop(books).fill()


class _WideShop:
    """What rests on the books: forecasts, restocks, purchases, letters, periodic work and the audit log."""

    def __init__(self, books: WideBooks) -> None:
        self.books = books

    def fill(self) -> None:
        self.add_forecasts()
        self.add_restocks()
        self.add_purchases()
        self.add_letters_and_work()
        self.add_audit_log()

    def add_forecasts(self) -> None:
        levels = ["0.025", "0.1", "0.25", "0.5", "0.75", "0.8", "0.9", "0.95", "0.975"]
        monday = timezone.localdate() - timedelta(days=timezone.localdate().weekday() + 7 * 52)
        self.run = ForecastRun.objects.create(
            known_at=self.books.now,
            first_week=monday,
            weeks=52,
            levels=[float(level) for level in levels],
            made_at=self.books.now,
        )
        add(
            BurnForecast(
                run=self.run,
                place=van.place,
                consumable=consumable,
                weeks_ahead=1,
                mean=ONE,
                quantiles=["1"] * len(levels),
                model="mean",
                reason="few weeks",
                demand_class="smooth",
                history=["1"] * 52,
                tested=10,
                held=[5] * len(levels),
                accuracy={"bias": 0.0},
            )
            for van in self.books.vans
            for consumable in self.books.consumables
        )
        ForecastRun.objects.filter(pk=self.run.pk).update(finished_at=self.books.now)

    def add_restocks(self) -> None:
        weeks = [
            self.books.now.date() - timedelta(days=7 * number) for number in range(self.books.kinds_of_stock)
        ]
        states = ("received", "draft", "approved", "under way", "cancelled")
        restocks = add(
            Restock(
                van=van.place,
                depot=self.books.depot,
                period=f"{week.isocalendar()[0]}-W{week.isocalendar()[1]:02}",
                run=self.run,
                status=states[number % len(states)],
                inputs={},
                made_at=self.books.now - timedelta(days=7 * number),
            )
            for van in self.books.vans
            for number, week in enumerate(weeks)
        )
        zeros = dict.fromkeys(("service", "on_hand", "on_the_way", "booked_need", "median", "high"), ONE)
        add(
            RestockLine(
                restock=restock,
                consumable=consumable,
                service_class="A",
                order_up_to=ONE,
                wanted=ONE,
                suggested=ONE,
                unit_cost=ONE,
                why="why",
                **zeros,
            )
            for number, restock in enumerate(restocks)
            for consumable in (self.books.consumables if number == 1 else self.books.consumables[:1])
        )

    def add_purchases(self) -> None:
        add(SupplierTerms(supplier=supplier) for supplier in self.books.suppliers)
        add(PackTerms(pack=pack, price=Decimal(10)) for pack in self.books.packs)
        states = ("received", "draft", "approved", "sent", "partly received", "cancelled")
        purchases = add(
            Purchase(
                number=f"PO-2026-{number:06}",
                supplier=self.books.suppliers[number],
                depot=self.books.depot,
                period="2026-01-01",
                run=self.run,
                status="draft" if number == 0 else states[number % len(states)],
                inputs={},
                made_at=self.books.at(number),
                expected_on=timezone.localdate() - timedelta(days=1),
            )
            for number in range(self.books.rows)
        )
        prices = {"price": "10", "all_units": True, "breaks": []}
        add(
            PurchaseLine(
                purchase=purchase,
                consumable=pack.consumable,
                pack=pack,
                pack_units=Decimal(10),
                prices=prices,
                suggested_packs=2,
                why="why",
            )
            for purchase, pack in zip(purchases, self.books.packs, strict=True)
        )
        add(
            PurchaseLeftOut(consumable=f"item-{number:06}", reason="no supplier sells it", at=self.books.now)
            for number in range(self.books.rows)
        )

    def add_letters_and_work(self) -> None:
        states = ("failed", "sent", "waiting", "no recipient")
        add(
            Letter(
                key=f"letter {number}",
                subject=f"Letter {number}",
                message_id=f"<{number}@shop.example>",
                source=b"Subject: x\r\n\r\nx\r\n",
                state=states[number % len(states)],
                written_at=self.books.at(number),
                sent_at=self.books.at(number),
            )
            for number in range(self.books.rows)
        )
        first = self.books.now.date() - timedelta(days=self.books.rows)
        add(
            PeriodWork(
                kind=WorkKind.CHECK,
                period=f"{first + timedelta(days=number)}",
                claimed_at=self.books.at(number),
                done_at=self.books.at(number),
                attempts=1,
            )
            for number in range(self.books.rows)
        )

    def add_audit_log(self) -> None:
        person = Person.objects.get(username="olga")
        about = ContentType.objects.get_for_model(Consumable)
        add(
            LogEntry(
                user=person,
                content_type=about,
                object_id="1",
                object_repr="item",
                action_flag=CHANGE,
                change_message="changed",
                action_time=self.books.at(number),
            )
            for number in range(self.books.rows)
        )
        logs = add(AccessLog(username="olga", ip_address="192.0.2.1") for _ in range(self.books.rows))
        for number, log in enumerate(logs):
            log.attempt_time = self.books.at(number)
        AccessLog.objects.bulk_update(logs[:100], ["attempt_time"])
