"""Importing jobs and what they used: every bad cell named, the same file twice changes nothing."""

import pytest
from django.utils import timezone

from inventory.documents import Correction, DocumentKind
from inventory.models import Document, Place, PlaceKind
from shop.jobs import returns_and_corrections
from shop.models import DamageType, GlassType, Job, JobUse, Van
from tests.shop.csv_import import HEADERS, JOB, RECEIPT, Imports, books
from tests.shop.imports.test_run import held

pytestmark = pytest.mark.django_db


def test_a_job_is_closed_with_everything_it_names(imports: Imports) -> None:
    out = imports("jobs", JOB)
    assert out.splitlines() == [
        "jobs: 1 new, 0 already there",
        "created job type: windscreen",
        "created technician: ANA",
        "created van: VAN-1",
    ]
    job = Job.objects.get()
    assert (job.reference, job.van.code, job.outcome, job.length_mm) == ("J1", "VAN-1", "removed", 120)
    assert (job.price, job.labour_minutes, job.travel_minutes) == (250, 90, 20)
    assert "0 new, 1 already there" in imports("jobs", JOB, flags=())


def test_words_are_matched_whatever_their_spelling(imports: Imports) -> None:
    imports("jobs", JOB.replace("scratch", "Acid-Etch").replace("removed", "NOT_REMOVABLE"))
    job = Job.objects.get()
    assert (job.damage_type.code, job.outcome) == ("acid etch", "not removable")
    other = JOB.replace("J1", "J2").replace("scratch", "Bird_lime").replace("laminated", "low-e")
    imports("jobs", other, other.replace("J2", "J3").replace("Bird_lime", "bird lime"))
    assert DamageType.objects.filter(code="Bird_lime").count() == 1
    assert not DamageType.objects.filter(code="bird lime").exists()
    assert GlassType.objects.filter(code="low-e").exists()


def test_every_bad_cell_of_a_job_is_named(imports: Imports) -> None:
    faults = imports.faults(
        "jobs",
        "=J1,,-T,yesterday,@x,+y,-z,100001,-1,10081,1e2,gone,=cmd",
        JOB,
        JOB.replace("120", ""),
        JOB.replace("J1", "J2") + "J2",
        JOB.replace("J1", "J3") + "J99",
    )
    columns = [
        fault.split(":")[0].partition(", column ")[2] for fault in faults if fault.startswith("line 2,")
    ]
    assert sorted(columns) == sorted(HEADERS["jobs"].split(","))
    assert [fault for fault in faults if not fault.startswith("line 2,")] == [
        "line 4, column job: 'J1' is in line 3 already",
        "line 5, column callback_of: 'J2' is the job itself; name the job it repeats",
        (
            "line 6, column callback_of: 'J99' is not a known job, nor in this file; "
            "import the file with that job first"
        ),
    ]


def test_a_callback_may_come_before_the_job_it_repeats(imports: Imports) -> None:
    callback = JOB.replace("J1", "J2").replace("03-02", "03-09") + "J1"
    imports("jobs", callback, JOB)
    assert Job.objects.get(reference="J2").callback_of == Job.objects.get(reference="J1")
    imports("jobs", JOB.replace("J1", "J3") + "J2")
    assert Job.objects.get(reference="J3").callback_of == Job.objects.get(reference="J2")


def test_callbacks_that_go_round_in_a_circle_are_refused(imports: Imports) -> None:
    faults = imports.faults(
        "jobs", JOB + "J2", JOB.replace("J1", "J2") + "J3", JOB.replace("J1", "J3") + "J1"
    )
    assert [fault.split(":")[0] for fault in faults] == [
        f"line {line}, column callback_of" for line in (2, 3, 4)
    ]


def test_a_job_posted_before_with_other_content_is_refused_cell_by_cell(imports: Imports) -> None:
    imports("jobs", JOB)
    faults = imports.faults("jobs", JOB.replace("250.00", "260").replace("120", ""))
    assert sorted(fault.split(" with job J1;")[0] for fault in faults) == [
        "line 2, column length_mm: '' was posted as 120",
        "line 2, column price: '260' was posted as 250",
    ]


def test_uses_go_to_their_jobs_and_count_once(imports: Imports) -> None:
    rows = ("J1,D-P240,3,25", "J1,COMPOUND,12.5,", "J1,PAD,0,40", "J1,D-P240,1,5")
    imports("receipts", RECEIPT)
    imports("jobs", JOB)
    assert "4 new, 0 already there" in imports("uses", *rows)
    before = books()
    assert "0 new, 4 already there" in imports("uses", *rows, flags=())
    assert books() == before
    assert held("VAN-1", "D-P240") == 96
    assert JobUse.objects.get(consumable__code="PAD").minutes == 40


def test_uses_of_a_consumable_not_yet_logged_are_added_to_a_job(imports: Imports) -> None:
    imports("jobs", JOB)
    imports("uses", "J1,D-P240,3,25")
    assert "1 new, 1 already there" in imports("uses", "J1,D-P240,3,25", "J1,PAD,1,40")
    assert "1 new, 2 already there" in imports("uses", "J1,D-P240,3,25", "J1,PAD,1,40", "J1,COMPOUND,5,")
    ids = Document.objects.filter(kind=DocumentKind.USE).order_by("pk").values_list("client_id", flat=True)
    assert list(ids) == ["J1", "J1#2", "J1#3"]


def test_a_job_may_be_called_what_another_jobs_second_document_would_be(imports: Imports) -> None:
    imports("jobs", JOB, JOB.replace("J1", "J1#2"))
    imports("uses", "J1,D-P240,3,25")
    assert "2 new" in imports("uses", "J1,PAD,1,40", "J1#2,PAD,1,40")
    rows = JobUse.objects.filter(consumable__code="PAD").values_list("job__reference", flat=True)
    assert sorted(rows) == ["J1", "J1#2"]


def test_uses_that_contradict_what_was_posted_are_refused(imports: Imports) -> None:
    imports("jobs", JOB)
    imports("uses", "J1,D-P240,3,25")
    (fault,) = imports.faults("uses", "J1,PAD,1,40", "J1,D-P240,4,25")
    assert fault == (
        "line 3, column quantity: '4 with 25 minutes' differs from what was posted for job J1 before: "
        "3 with 25 minutes of D-P240; undo that with a correction first"
    )


def test_a_use_that_is_there_more_or_less_often_than_before_is_named(imports: Imports) -> None:
    imports("jobs", JOB)
    imports("uses", "J1,PAD,1,40", "J1,D-P240,3,1", "J1,D-P240,3,1")
    (fault,) = imports.faults("uses", "J1,PAD,1,40", "J1,PAD,1,40")
    assert fault == (
        "line 3, column quantity: '1 with 40 minutes' is here more often than it was posted for job J1 "
        "before: 1 with 40 minutes of PAD; undo that with a correction first"
    )
    (fault,) = imports.faults("uses", "J1,D-P240,3,1")
    assert fault == (
        "line 2, column quantity: '3 with 1 minute' is not all that was posted for job J1 before: "
        "3 with 1 minute and 3 with 1 minute of D-P240; undo that with a correction first"
    )


def test_uses_can_be_posted_again_once_they_were_undone(imports: Imports) -> None:
    imports("jobs", JOB)
    imports("uses", "J1,D-P240,3,25")
    returns_and_corrections.post(
        Correction(
            id="C1", occurred_at=timezone.now(), corrects_kind="use", corrects_id="J1", reason="wrong number"
        )
    )
    assert "1 new, 0 already there" in imports("uses", "J1,D-P240,4,25")
    assert held("VAN-1", "D-P240") == -4


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("J1,D-P240,0,", "quantity"),
        ("J1,D-P240,0,0", "quantity"),
        ("J1,D-P240,100001,1", "quantity"),
        ("J1,PAD,0.5,1", "quantity"),
        ("J1,PAD,1,10081", "minutes"),
        ("J1,PAD,1,-1", "minutes"),
        ("J2,PAD,1,1", "job"),
        (",PAD,1,1", "job"),
    ],
)
def test_a_bad_use_is_named(imports: Imports, row: str, column: str) -> None:
    imports("jobs", JOB)
    (fault,) = imports.faults("uses", row, flags=())
    assert fault.startswith(f"line 2, column {column}: ")


def test_a_place_that_a_file_named_becomes_a_van_when_a_job_says_so(imports: Imports) -> None:
    imports("receipts", RECEIPT)
    assert Place.objects.get(code="VAN-1").kind == PlaceKind.DEPOT
    imports("jobs", JOB)
    assert Place.objects.get(code="VAN-1").kind == PlaceKind.VAN
    assert Van.objects.get().code == "VAN-1"
