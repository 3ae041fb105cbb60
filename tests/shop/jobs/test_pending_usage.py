"""Uses that a file brings before their job is closed: kept, and posted with the job, once."""

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from inventory.models import Consumable, Document, Holding, Movement
from shop.jobs.close_data import UsedLine
from shop.jobs.close_job import Closed, close_job
from shop.models import Finding, JobCost, JobType, StandardUse, WaitingUse
from tests.shop.csv_import import Imports
from tests.shop.world import amounts, closing_of

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 3, 2, 10, tzinfo=UTC)

JOB = "J1,VAN-1,ANA,2026-03-02T10:00:00,windscreen,scratch,laminated,120,250.00,90,20,removed,"
AS_WAITED = (UsedLine("D-P240", Decimal(3), Decimal(25)), UsedLine("PAD", Decimal(1), Decimal(40)))


@pytest.fixture
def imports(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Imports:
    """Return a way to import texts into a shop that knows three consumables and has closed the job J0."""
    imports = Imports(tmp_path, capsys)
    imports(
        "consumables",
        "D-P240,Disc,counted,each,P240,,",
        "COMPOUND,Polishing compound,measured,ml,,,365",
        "PAD,Soft pad,worn,each,,600,",
    )
    imports("jobs", JOB.replace("J1", "J0"))
    return imports


def held(consumable: str) -> Decimal:
    """Return what VAN-1 holds; nothing was ever received, so all used is owed."""
    rows = Holding.objects.filter(place__code="VAN-1", consumable__code=consumable)
    return sum(rows.values_list("quantity", flat=True), Decimal(0))


def close(*uses: UsedLine) -> Closed:
    """Close J1 by itself, as a phone does."""
    changes = {"id": "phone-1", "technician": "ANA", "job_type": "windscreen", "glass": "laminated"}
    one = closing_of("J1", NOW.isoformat(), *uses, **changes, labour_minutes=Decimal(90))
    return close_job(one, by="ana", now=NOW)


def questions() -> list[str]:
    """Return what is asked about any job."""
    return list(Finding.objects.values_list("message", flat=True))


def test_uses_wait_for_their_job_and_are_posted_with_it(imports: Imports) -> None:
    rows = ("J1,D-P240,3,25", "J2,PAD,0,40")
    assert "kept waiting" in imports("uses", *rows)
    assert "uses are waiting for 2 jobs: J1, J2" in imports.out
    assert not Movement.objects.exists()
    assert "0 new, 2 already there" in imports("uses", *rows)
    assert WaitingUse.objects.count() == 2
    (fault,) = imports.faults("uses", "J1,D-P240,4,25")
    assert "differs from what was kept waiting for job J1" in fault
    assert "1 use that waited for a job was posted" in imports("jobs", JOB)
    assert "uses are waiting for 1 job: J2" in imports.out
    assert held("D-P240") == -3
    assert "0 new, 2 already there" in imports("uses", *rows)


def test_what_waited_is_added_when_a_phone_closes_the_job(imports: Imports) -> None:
    imports("uses", "J1,D-P240,3,25", "J1,PAD,1,40", "J2,PAD,1,40")
    closed = close()
    assert questions() == []
    assert amounts(held("D-P240"), held("PAD")) == (-3, -1)
    assert list(WaitingUse.objects.values_list("job_reference", flat=True)) == ["J2"]
    document = Document.objects.get(kind="use")
    assert (document.client_id, document.recorded_by) == ("J1", "ana")
    assert sorted(JobCost.objects.filter(job__reference="J1").values_list("jobs", flat=True)) == [0, 1]
    # Neither a retry of the close nor the file once more counts anything twice.
    again = close()
    assert again.posting.document_id == closed.posting.document_id
    assert "0 new, 3 already there" in imports("uses", "J1,D-P240,3,25", "J1,PAD,1,40", "J2,PAD,1,40")
    assert amounts(held("D-P240"), held("PAD")) == (-3, -1)


def test_a_close_is_asked_about_with_what_waited_counted_in(imports: Imports) -> None:
    imports("uses", "J1,D-P240,3,45", "J1,PAD,1,10")
    for code in ("PAD", "COMPOUND"):
        StandardUse.objects.create(
            job_type=JobType.objects.get(code="windscreen"),
            consumable=Consumable.objects.get(code=code),
            quantity=Decimal(1),
            finishing=True,
        )
    close()
    # The pad has come; compound has not; 45 minutes are more than 3 discs of ten minutes give.
    asked = set(Finding.objects.filter(job__reference="J1").values_list("code", "consumable"))
    assert asked == {("finishing missing", "COMPOUND"), ("minutes exceed discs", "D-P240")}


def test_what_the_close_logs_too_is_dropped_and_what_it_logs_otherwise_is_asked_about(
    imports: Imports,
) -> None:
    imports("uses", "J1,D-P240,3,25", "J1,PAD,1,40")
    close(AS_WAITED[0], UsedLine("PAD", Decimal(2), Decimal(41)))
    (asked,) = questions()
    assert asked == (
        "PAD: a file says 1 with 40 minutes; 2 with 41 minutes was logged. "
        "Which is right? If the file, correct the close; if not, the owner deletes what the file said."
    )
    assert amounts(held("D-P240"), held("PAD")) == (-3, -2)
    assert list(WaitingUse.objects.values_list("consumable__code", flat=True)) == ["PAD"]
    assert "waiting uses of 1 job: J1 differ from what was logged at the close" in imports(
        "uses", "J0,D-P240,1,5"
    )
    assert held("D-P240") == -4


def test_what_agrees_leaves_nothing_behind(imports: Imports) -> None:
    imports("uses", "J1,D-P240,3,25", "J1,PAD,1,40")
    close(*AS_WAITED)
    assert questions() == []
    assert not WaitingUse.objects.exists()
    assert not Document.objects.filter(kind="use").exists()


def test_what_cannot_be_posted_keeps_waiting_and_the_close_stands(imports: Imports) -> None:
    imports("uses", "J1,COMPOUND,0.5,0", "J1,D-P240,3,25")
    Consumable.objects.filter(code="COMPOUND").update(kind="counted")
    close(UsedLine("D-P240", Decimal(3), Decimal(25)))
    (asked,) = questions()
    assert asked.startswith("What a file says this job used could not be added: ")
    assert "quantity 0.5000 is not whole" in asked
    assert held("D-P240") == -3
    assert set(WaitingUse.objects.values_list("consumable__code", flat=True)) == {"COMPOUND", "D-P240"}


def test_a_close_that_is_refused_adds_nothing(imports: Imports) -> None:
    imports("uses", "J1,PAD,1,40")
    with pytest.raises(ValueError, match="is not a known consumable"):
        close(UsedLine("NONE", Decimal(1)))
    assert WaitingUse.objects.count() == 1
    assert not Movement.objects.exists()
