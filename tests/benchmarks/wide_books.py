"""Many rows of stock, documents, jobs and people, by bulk inserts; for measurements only.

Nothing is posted: the rows suit the lists, and the books need not agree.
"""

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, TypeVar

from django.db.models import Model
from django.utils import timezone

from inventory.decimals import ONE
from inventory.documents import DocumentKind
from inventory.models import (
    Consumable,
    CostAdjustment,
    CostPool,
    CountLine,
    Document,
    Holding,
    Lot,
    LowLevel,
    Movement,
    MovementValue,
    Pack,
    PeriodChange,
    Place,
    PlaceKind,
    RefusedDocument,
    Supplier,
)
from shop.models import (
    ApiToken,
    CountExplanation,
    Customer,
    DamageType,
    Finding,
    GlassType,
    Job,
    JobCost,
    JobType,
    JobUse,
    LabourRate,
    Person,
    Role,
    Site,
    StandardUse,
    Technician,
    Van,
)

CONSUMABLES = 300
SHELF_LIVES = 40
KINDS = 20
DAYS = 300
PEOPLE = {"olga": Role.OWNER, "sue": Role.STOREKEEPER, "ada": Role.ACCOUNTANT, "ann": Role.TECHNICIAN}

Row = TypeVar("Row", bound=Model)


class WideBooks:
    """The rows of the apps inventory and shop: about `rows` behind every list."""

    def __init__(self, rows: int, consumables: int) -> None:
        self.rows = rows
        self.kinds_of_stock = consumables
        self.now = timezone.now()
        self.outside = {place.kind: place.pk for place in Place.objects.all()}

    def fill(self) -> None:
        """Insert the rows."""
        self.add_catalogue()
        self.add_people()
        self.add_stock()
        self.add_jobs()
        self.add_receipts()
        self.add_counts()
        self.add_other_documents()

    def at(self, number: int) -> datetime:
        """Return a moment of the last months: the higher the number, the later."""
        return self.now - timedelta(days=DAYS) * (self.rows - number) / self.rows

    def add_catalogue(self) -> None:
        self.depot = Place.objects.create(code="depot", kind=PlaceKind.DEPOT)
        places = add(
            Place(code=f"van-{number:04}", kind=PlaceKind.VAN)
            for number in range(max(self.rows // self.kinds_of_stock, 1))
        )
        self.vans = add(Van(place=place) for place in places)
        self.consumables = add(
            Consumable(
                code=f"item-{number:04}",
                name=f"Item {number}",
                kind="counted",
                stock_unit="each",
                shelf_life_days=200 if number < SHELF_LIVES else None,
                standard_cost=ONE,
            )
            for number in range(self.kinds_of_stock)
        )
        self.suppliers = add(Supplier(code=f"supplier-{number:06}") for number in range(self.rows))
        # The first one sells a tenth of all.
        self.packs = add(
            Pack(
                supplier=self.suppliers[0 if number < self.rows // 10 else number],
                consumable=self.consumables[number % self.kinds_of_stock],
                name=f"box of {number}",
                stock_units=Decimal(10),
            )
            for number in range(self.rows)
        )
        customers = add(
            Customer(code=f"customer-{number:06}", name=f"Customer {number}") for number in range(self.rows)
        )
        self.sites = add(Site(customer=customer, name="Shop front") for customer in customers)
        self.job_types = add(
            JobType(code=f"service-{number}", list_price=Decimal(100), standard_minutes=Decimal(60))
            for number in range(KINDS)
        )
        self.damages = add(DamageType(code=f"damage-{number}") for number in range(KINDS))
        self.glasses = add(GlassType(code=f"glass-{number}") for number in range(KINDS))
        add(
            StandardUse(job_type=each, consumable=consumable, quantity=ONE)
            for each in self.job_types
            for consumable in self.consumables[:5]
        )

    def add_people(self) -> None:
        people = add(Person(username=name, role=role) for name, role in PEOPLE.items())
        add(
            Person(username=f"person-{number:06}", role=Role.TECHNICIAN, email=f"p{number}@shop.example")
            for number in range(self.rows)
        )
        self.technicians = add(
            Technician(code=f"technician-{number:04}", van=van, person=people[3] if number == 0 else None)
            for number, van in enumerate(self.vans)
        )
        each = max(self.rows // len(self.technicians), 1)
        add(
            LabourRate(
                technician=technician,
                effective_from=date(2000, 1, 1) + timedelta(days=number),
                per_hour=Decimal(40),
            )
            for technician in self.technicians
            for number in range(each)
        )
        ApiToken.objects.bulk_create(
            ApiToken(
                user=people[0],
                digest=f"{number:0128}",
                token_key=f"{number:08}",
                name=f"Token {number}",
                expiry=self.now + timedelta(days=30),
            )
            for number in range(20)
        )
        add(
            PeriodChange(
                locked_until=self.now - timedelta(days=DAYS + 40), reason="Month", changed_at=self.at(number)
            )
            for number in range(self.rows)
        )

    def add_stock(self) -> None:
        places = [self.depot, *(van.place for van in self.vans)]
        pairs = [(place, consumable) for place in places for consumable in self.consumables]
        add(
            Holding(place=place, consumable=consumable, quantity=Decimal(5 + number % 20))
            for number, (place, consumable) in enumerate(pairs)
        )
        add(LowLevel(place=place, consumable=consumable, quantity=Decimal(30)) for place, consumable in pairs)
        pool = {"method": "moving average", "layers": [["100", "100"]], "owed": [], "last_cost": ["1", "1"]}
        add(
            CostPool(consumable=consumable, state=pool, posted_at=self.now) for consumable in self.consumables
        )

    def document(self, kind: str, number: int, **more: Any) -> Document:
        at = self.at(number)
        values = {"occurred_at": at, "posted_at": at, "recorded_at": at, "recorded_by": "sue", "content": {}}
        id_ = f"{kind}-{number:06}"
        return Document(kind=kind, client_id=id_, order=id_, digest="", **{**values, **more})

    def movement(
        self, document: Document, number: int, source: int, destination: int, **more: Any
    ) -> Movement:
        values = {
            "line": 1,
            "consumable": self.consumables[number % self.kinds_of_stock],
            "quantity": ONE,
            "occurred_at": document.occurred_at,
            "posted_at": document.posted_at,
            "recorded_at": document.recorded_at,
            "rank": 3,
        }
        return Movement(document=document, source_id=source, destination_id=destination, **{**values, **more})

    def add_jobs(self) -> None:
        """Add the jobs, a tenth of them booked; each closed one with a question and a provisional value."""
        today = timezone.localdate()
        jobs = []
        for number in range(self.rows):
            closed = number % 10 > 0
            jobs.append(
                Job(
                    reference=f"J-{number:06}",
                    status="closed" if closed else "booked",
                    site=self.sites[number],
                    van=self.van_of(number),
                    technician=self.technician_of(number),
                    job_type=self.job_types[number % KINDS],
                    damage_type=self.damages[number // 3 % KINDS],
                    glass=self.glasses[number // 7 % KINDS],
                    price=Decimal(80 + number % 50),
                    booked_for=today,
                    **(
                        {
                            "closed_at": self.at(number),
                            "labour_minutes": Decimal(60),
                            "travel_minutes": Decimal(20),
                            "outcome": "removed",
                        }
                        if closed
                        else {}
                    ),
                )
            )
        add(jobs)
        closed_jobs = [(number, job) for number, job in enumerate(jobs) if job.closed_at]
        documents = add(self.document(DocumentKind.CLOSE, number) for number, _ in closed_jobs)
        closes = list(zip(documents, closed_jobs, strict=True))
        moved = add(
            self.movement(document, number, job.van.place_id, self.outside[PlaceKind.JOB])
            for document, (number, job) in closes
        )
        add(MovementValue(movement=movement, value=ONE, provisional=True) for movement in moved)
        add(
            CostAdjustment(
                movement=movement,
                adjusts=movement,
                consumable_id=movement.consumable_id,
                posted_at=movement.posted_at,
                quantity=ONE,
                valued=ONE,
                actual=Decimal(2),
            )
            for movement in moved[::2]
        )
        add(
            JobUse(
                job=job,
                document=document,
                line=1,
                consumable=self.consumables[number % self.kinds_of_stock],
                quantity=ONE,
            )
            for document, (number, job) in closes
        )
        add(
            JobCost(
                document=document,
                job=job,
                posted_at=document.posted_at,
                jobs=1,
                revenue=job.price,
                materials=Decimal(number % 90),
                labour=Decimal(40),
                labour_minutes=Decimal(60),
                closed_at=document.posted_at,
                van=job.van,
                technician=job.technician,
                job_type=job.job_type,
                damage_type=job.damage_type,
                glass=job.glass,
                outcome="removed",
            )
            for document, (number, job) in closes
        )
        add(Finding(job=job, document=document, code="x", message="Why?") for document, (_, job) in closes)

    def van_of(self, number: int) -> Van:
        # A tenth of all falls to the first van.
        return self.vans[0 if number % 10 == 0 else number % len(self.vans)]

    def technician_of(self, number: int) -> Technician:
        return self.technicians[number % len(self.technicians)]

    def add_receipts(self) -> None:
        """Add late receipts, each a lot; those of the first consumables expire."""
        content = {"lines": [{"cost": "1"}], "freight": "0", "duty": "0", "discount": "0"}
        documents = add(
            self.document(
                DocumentKind.RECEIPT,
                number,
                content=content,
                supplier=self.suppliers[0],
                occurred_at=self.at(number) - timedelta(days=40),
            )
            for number in range(self.rows)
        )
        moved = add(
            self.movement(
                document, number, self.outside[PlaceKind.SUPPLIER], self.depot.pk, landed_value=ONE, rank=0
            )
            for number, document in enumerate(documents)
        )
        add(MovementValue(movement=movement, value=ONE) for movement in moved)
        add(
            Lot(
                consumable_id=movement.consumable_id,
                document_id=movement.document_id,
                line=1,
                expires_on=timezone.localdate() + timedelta(days=number % 90 - 20)
                if number % self.kinds_of_stock < SHELF_LIVES
                else None,
            )
            for number, movement in enumerate(moved)
        )

    def add_counts(self) -> None:
        """Add counts that each found one missing; every second difference is explained."""
        documents = add(self.document(DocumentKind.COUNT, number) for number in range(self.rows))
        lines = add(
            CountLine(
                document=document,
                line=1,
                place=self.van_of(number).place,
                consumable=self.consumables[number % self.kinds_of_stock],
                quantity=ONE,
                counted_at=document.occurred_at,
            )
            for number, document in enumerate(documents)
        )
        moved = add(
            self.movement(
                line.document, number, line.place_id, self.outside[PlaceKind.LOST], count_line=line, rank=6
            )
            for number, line in enumerate(lines)
        )
        add(MovementValue(movement=movement, value=ONE) for movement in moved)
        add(
            CountExplanation(count_line=line, cause="not known", explained_at=self.now) for line in lines[::2]
        )

    def add_other_documents(self) -> None:
        scraps: list[Document] = []
        for kind in (
            DocumentKind.TRANSFER,
            DocumentKind.SCRAP,
            DocumentKind.RETURN,
            DocumentKind.USE,
            DocumentKind.CORRECTION,
        ):
            undone = iter(scraps if kind == DocumentKind.CORRECTION else ())
            documents = add(
                self.document(kind, number, corrects=next(undone, None)) for number in range(self.rows // 10)
            )
            if kind == DocumentKind.SCRAP:
                scraps = documents
            if kind == DocumentKind.TRANSFER:
                add(
                    self.movement(document, number, self.depot.pk, self.vans[0].place_id)
                    for number, document in enumerate(documents)
                )
        add(
            RefusedDocument(
                kind=DocumentKind.RECEIPT,
                client_id=f"R-{number}",
                content={},
                reason="says something else",
                refused_at=self.at(number),
                refused_by="sue",
            )
            for number in range(self.rows)
        )


def add(rows: Iterable[Row]) -> list[Row]:
    """Insert rows of one model; return them."""
    made = list(rows)
    if not made:
        return made
    return type(made[0])._default_manager.bulk_create(made, batch_size=2000)
