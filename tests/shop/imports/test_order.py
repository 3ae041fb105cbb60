"""Whatever order files come in, once all are in the books and the exports are the same."""

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from io import StringIO
from math import factorial
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import transaction

from inventory.models import CostPolicy
from inventory.valuation.cost_layers import CostFormula
from shop.models import JobCost, LabourRate, OverheadRate, WaitingUse
from tests.shop.csv_import import Imports, books

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

CONSUMABLES = (
    "D-P240,Disc,counted,each,P240,,",
    "COMPOUND,Polishing compound,measured,ml,,,365",
    "PAD,Soft pad,worn,each,,600,",
)
# Deliveries before, between and after the jobs, so that some use comes before its receipt; a count in the
# middle whose result late documents must not change, and one of a van that used more than it had.
FILES = {
    "receipts": (
        "R1,2026-03-01,ACME,DEPOT,D-P240,20,30.00,3.00",
        "R1,2026-03-01,ACME,DEPOT,PAD,4,100.00,3.00",
        "R2,2026-03-10,ACME,DEPOT,D-P240,30,60.01,0",
        "R2,2026-03-10,ACME,DEPOT,COMPOUND,500,40.00,0",
        "R3,2026-03-20,BETA,VAN-2,D-P240,7,9.99,1.01",
    ),
    "transfers": (
        "T1,2026-03-02,DEPOT,VAN-1,D-P240,15",
        "T2,2026-03-11,DEPOT,VAN-1,D-P240,10",
        "T2,2026-03-11,DEPOT,VAN-1,COMPOUND,100",
        "T3,2026-03-11,DEPOT,VAN-2,PAD,2",
    ),
    "jobs": (
        "J1,VAN-1,ANA,2026-03-03T10:00,windscreen,scratch,laminated,120,250.00,90,20,removed,",
        "J2,VAN-2,BEA,2026-03-05T15:00,facade,acid etch,tempered,,400.00,180,45,reduced,",
        "J3,VAN-1,ANA,2026-03-12T09:00,windscreen,scratch,laminated,80,0,60,20,removed,J1",
        "J4,VAN-2,BEA,2026-03-12T09:00,windscreen,graffiti,coated,300,90.50,30,10,not_removable,",
    ),
    "uses": (
        "J1,D-P240,6,55",
        "J1,COMPOUND,40.5,",
        "J1,PAD,0,50",
        "J2,D-P240,9,85",
        "J2,PAD,1,120",
        "J3,D-P240,3,20",
        "J3,D-P240,1,10",
        "J3,COMPOUND,15,",
        "J4,D-P240,2,20",
    ),
    "counts": (
        "C1,2026-03-08T18:00,VAN-1,D-P240,8",
        "C1,2026-03-08T18:00,DEPOT,D-P240,4",
        "C2,2026-03-15T18:00,VAN-2,D-P240,1",
        "C2,2026-03-15T18:00,VAN-2,PAD,1",
        "C3,2026-03-25T18:00,VAN-1,COMPOUND,40",
    ),
}

File = tuple[str, Sequence[str]]


def exported() -> tuple[str, ...]:
    """Return what the exports say, over all jobs and at three days."""
    texts = []
    for command, *arguments in (
        ("export_costing", "--from", "2026-01-01", "--to", "2026-12-31"),
        *(("export_stock", "--at", day) for day in ("2026-03-06", "2026-03-13", "2026-04-01")),
    ):
        out = StringIO()
        call_command(command, *arguments, stdout=out)
        texts.append(out.getvalue())
    return tuple(texts)


def job_costs() -> dict[tuple[str, str], tuple[object, ...]]:
    """Return what was posted to each job, by job and kind of document."""
    rows = JobCost.objects.values_list(
        *("job__reference", "document__kind", "posted_at", "jobs", "revenue"),
        *("materials", "wear", "labour", "travel", "overhead"),
    )
    return {(job, kind): amounts for job, kind, *amounts in rows}


def in_every_order(
    imports: Imports, files: Sequence[File], seen: Callable[[], Any]
) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield each order of the files, as their kinds, and what is seen after it; all is undone afterwards.

    Orders that begin alike share that beginning.
    """
    if not files:
        yield (), seen()
    for place, (kind, rows) in enumerate(files):
        with transaction.atomic():
            imports(kind, *rows)
            for order, outcome in in_every_order(imports, (*files[:place], *files[place + 1 :]), seen):
                yield (kind, *order), outcome
            transaction.set_rollback(True)


def test_every_order_of_files_gives_the_same_books_and_exports(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Both cost formulas in one run: the shop changes from one to the other in the middle.
    CostPolicy.objects.create(method=CostFormula.MOVING_AVERAGE)
    CostPolicy.objects.create(method=CostFormula.FIFO, effective_from=datetime(2026, 3, 11, tzinfo=UTC))
    LabourRate.objects.create(per_hour=Decimal(45))
    OverheadRate.objects.create(
        monthly_overhead=Decimal(3000), capacity_minutes=Decimal(9000), vehicle_per_minute=Decimal(1)
    )
    imports = Imports(tmp_path, capsys)
    imports("consumables", *CONSUMABLES)

    def seen() -> tuple[Any, ...]:
        assert not WaitingUse.objects.exists()
        return books(), job_costs(), exported()

    (_, first), *others = in_every_order(imports, tuple(FILES.items()), seen)
    assert len(others) == factorial(len(FILES)) - 1
    for order, outcome in others:
        assert outcome == first, order
    costing, *stock = first[2]
    assert len(set(stock)) == 3
    assert [line.split(",")[0] for line in costing.splitlines()] == ["job", "J1", "J2", "J3", "J4"]


def test_two_files_of_jobs_with_their_uses_may_come_in_any_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    imports = Imports(tmp_path, capsys)
    imports("consumables", *CONSUMABLES)
    jobs, uses = FILES["jobs"], FILES["uses"]
    parts = [("jobs", jobs[:2]), ("jobs", jobs[3:]), ("uses", uses[:3]), ("uses", uses[3:5] + uses[8:])]
    outcomes = [outcome for _, outcome in in_every_order(imports, parts, lambda: (books(), job_costs()))]
    assert len(outcomes) == factorial(len(parts))
    assert outcomes[0][0]["movements"] == 5
    assert all(outcome == outcomes[0] for outcome in outcomes)
