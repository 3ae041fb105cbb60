"""A small shop with jobs to close, and short ways to say what happens in it.

Moments are written as text: on UTC's clocks unless they name an offset.
"""

from datetime import UTC, date, datetime
from decimal import Decimal
from io import StringIO
from typing import Any

from django.core.management import call_command
from django.db.models import Sum

from inventory import documents, ledger
from inventory.ledger import Posting
from inventory.ledger.period_lock import change_lock
from inventory.models import Books, Consumable, ConsumableKind, CostPolicy, Place, PlaceKind, Supplier
from inventory.valuation.cost_layers import CostFormula
from shop.costing.costing_rows import HEADER, costing_rows
from shop.costing.formulas import AMOUNTS, JobCosts
from shop.integrity import job_cost_checks
from shop.jobs import additional_usage, close_job, returns_and_corrections
from shop.jobs.close_data import JobClose, JobUses, UsedLine
from shop.models import (
    BEGINNING,
    DamageType,
    GlassType,
    Job,
    JobCost,
    JobType,
    LabourRate,
    OverheadRate,
    StandardUse,
    Technician,
    Van,
)

DISC, FINE_DISC, COMPOUND, PAD = "DISC-P400", "DISC-P1000", "COMPOUND", "PAD"
NOW = datetime(2026, 12, 1, 12, tzinfo=UTC)
ALL_TIME = (date(2000, 1, 2), date(2100, 12, 30))


def open_shop(zone: str = "UTC", method: CostFormula = CostFormula.MOVING_AVERAGE) -> None:
    """Make a depot, two vans, two technicians, a supplier, four consumables and two job types; no rates."""
    Books.objects.update(time_zone=zone)
    Place.objects.create(code="DEPOT", kind=PlaceKind.DEPOT)
    for code in ("VAN-1", "VAN-2"):
        Van.objects.create(place=Place.objects.create(code=code, kind=PlaceKind.VAN))
    for code in ("ann", "bo"):
        Technician.objects.create(code=code)
    for code in ("polish", "regrind"):
        JobType.objects.create(code=code, standard_minutes=Decimal(50))
    Supplier.objects.create(code="SUP")
    for code, kind, unit, grade, life in (
        (DISC, ConsumableKind.COUNTED, "each", "P400", None),
        (FINE_DISC, ConsumableKind.COUNTED, "each", "P1000", None),
        (COMPOUND, ConsumableKind.MEASURED, "ml", "", None),
        (PAD, ConsumableKind.WORN, "each", "", Decimal(300)),
    ):
        Consumable.objects.create(
            code=code, name=code.title(), kind=kind, stock_unit=unit, grade=grade, life_minutes=life
        )
    CostPolicy.objects.create(method=method)


def at(moment: str) -> datetime:
    """Return a moment written as 2026-03-02, 2026-03-02 09:30 or with an offset; UTC without one."""
    parsed = datetime.fromisoformat(moment)
    return parsed if parsed.tzinfo else parsed.replace(tzinfo=UTC)


def used(consumable: str, quantity: str = "0", minutes: str = "0", spoilt: str = "0") -> UsedLine:
    """Return what a job took of one consumable."""
    return UsedLine(consumable, Decimal(quantity), Decimal(minutes), Decimal(spoilt))


def closing_of(job: str, moment: str, *uses: UsedLine, **changes: Any) -> JobClose:
    """Return the close of a job at a price of 200 with an hour's labour and half an hour's travel."""
    return JobClose(
        **{
            "id": f"close-{job}",
            "job": job,
            "van": "VAN-1",
            "technician": "ann",
            "closed_at": at(moment),
            "job_type": "polish",
            "damage_type": "scratch",
            "glass": "tempered",
            "price": Decimal(200),
            "labour_minutes": Decimal(60),
            "travel_minutes": Decimal(30),
            "outcome": "removed",
            "uses": uses,
            **changes,
        }
    )


def close(job: str, moment: str, *uses: UsedLine, **changes: Any) -> close_job.Closed:
    """Close a job; see closing_of."""
    return close_job.close_job(closing_of(job, moment, *uses, **changes), now=NOW)


def use_more(id_: str, job: str, *lines: UsedLine) -> Posting:
    """Post further uses of a job."""
    return additional_usage.add_uses_many([JobUses(id_, job, lines)], now=NOW)[0]


def receive(
    id_: str, moment: str, *lines: tuple[str, str, str], freight: str = "0", place: str = "DEPOT"
) -> Posting:
    """Receive (consumable, quantity, cost of the line)."""
    made = tuple(documents.ReceiptLine(code, Decimal(q), Decimal(cost)) for code, q, cost in lines)
    return ledger.post(
        documents.Receipt(id_, at(moment), "SUP", place, made, freight=Decimal(freight)), now=NOW
    )


def give_back(id_: str, moment: str, of: tuple[str, str], *lines: tuple[str, str]) -> Posting:
    """Bring (consumable, quantity) of a close or use, given as (kind, id), back to the depot."""
    made = tuple(documents.StockLine(code, Decimal(quantity)) for code, quantity in lines)
    return returns_and_corrections.post(documents.Return(id_, at(moment), "DEPOT", *of, made), now=NOW)


def correct(id_: str, kind: str, corrects_id: str) -> Posting:
    """Undo a document."""
    return returns_and_corrections.post(
        documents.Correction(id_, NOW, kind, corrects_id, "a mistake"), now=NOW
    )


def lock(until: str) -> None:
    """Lock the books up to a moment."""
    change_lock(at(until), reason="month closed", by="", now=NOW)


def pay(per_hour: str, from_: date = BEGINNING, technician: str | None = None) -> None:
    """Set a labour rate without computing any cost again."""
    person = Technician.objects.get(code=technician) if technician else None
    LabourRate.objects.create(technician=person, effective_from=from_, per_hour=Decimal(per_hour))


def charge_overhead(month: str, capacity: str, vehicle: str = "0", from_: date = BEGINNING) -> None:
    """Set an overhead and vehicle rate without computing any cost again."""
    OverheadRate.objects.create(
        effective_from=from_,
        monthly_overhead=Decimal(month),
        capacity_minutes=Decimal(capacity),
        vehicle_per_minute=Decimal(vehicle),
    )


def expect(consumable: str, quantity: str, cost: str | None = "2", job_type: str = "polish") -> None:
    """Set what a service should take of a consumable, and what a unit should cost."""
    found = Consumable.objects.get(code=consumable)
    found.standard_cost = Decimal(cost) if cost else None
    found.save()
    StandardUse.objects.create(
        job_type=JobType.objects.get(code=job_type), consumable=found, quantity=Decimal(quantity)
    )


def book(job: str, **changes: Any) -> Job:
    """Book a job on VAN-2 for Bo."""
    return Job.objects.create(
        **{
            "reference": job,
            "van": Van.objects.get(place__code="VAN-2"),
            "technician": Technician.objects.get(code="bo"),
            "job_type": JobType.objects.get(code="regrind"),
            "damage_type": DamageType.objects.get(code="scuff"),
            "glass": GlassType.objects.get(code="laminated"),
            **changes,
        }
    )


def cost_of(job: str) -> JobCosts:
    """Return all that a job earned and cost."""
    return _sum(JobCost.objects.filter(job__reference=job))


def cost_of_all() -> JobCosts:
    """Return what all jobs earned and cost."""
    return _sum(JobCost.objects.all())


def amounts(*values: Decimal) -> tuple[Any, ...]:
    """Return the values to compare with plain numbers, which mypy would rather not."""
    return values


def _sum(costs: Any) -> JobCosts:
    totals = costs.aggregate(**{f"total_{name}": Sum(name) for name in AMOUNTS})
    return JobCosts(*(totals[f"total_{name}"] or Decimal(0) for name in AMOUNTS))


def export(start: str = "2000-01-02", end: str = "2100-12-30") -> list[dict[str, str]]:
    """Return the costing of a period as the rows of the export."""
    rows = costing_rows(date.fromisoformat(start), date.fromisoformat(end))
    return [dict(zip(HEADER, row, strict=True)) for row in rows]


def assert_costs_follow_facts() -> None:
    """Assert that every stored job cost is what its document, values and rates give."""
    assert list(job_cost_checks.disagreements()) == []


def run(*arguments: str) -> str:
    """Run a command and return what it printed."""
    out = StringIO()
    call_command(*arguments, stdout=out)
    return out.getvalue()
