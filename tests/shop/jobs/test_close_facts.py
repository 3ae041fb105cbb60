"""What a close leaves open stays as booked; what it says is empty is cleared; undone, the booking is back."""

import json
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.documents import DocumentKind
from inventory.ledger import Conflict, Refused
from inventory.models import Document, RefusedDocument
from shop.api.serializers import CloseSerializer, read_document
from shop.integrity import job_checks
from shop.jobs.bookings import save_booked
from shop.jobs.close_data import CLEARED, JobClose, close_content
from shop.jobs.close_job import close_job, close_many
from shop.models import Booking, DamageType, GlassType, Job, JobType, Technician, Van
from tests.inventory.small_shop import undone_afterwards
from tests.shop.world import NOW, book, close, closing_of, correct, open_shop
from tests.thoroughness import examples

DAY = "2026-03-10 09:00"
SAID_AT_BOOKING: dict[str, Any] = {
    "length_mm": Decimal(300),
    "in_primary_view": True,
    "existing_damage": "chip",
    "note": "ring first",
}


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()


def booked(reference: str = "J-1", **changes: Any) -> Job:
    """Book a job of which everything is said that a close may clear."""
    job = book(reference, **{**SAID_AT_BOOKING, "callback_of": job_before(), **changes})
    save_booked(job)
    return job


def job_before() -> Job:
    """Return a job that was closed before."""
    if not Job.objects.filter(reference="J-0").exists():
        close("J-0", "2026-03-01")
    return Job.objects.get(reference="J-0")


def body(**said: Any) -> dict[str, Any]:
    """Return the close of a job as a phone sends it."""
    return {
        "job": "J-1",
        "van": "VAN-1",
        "technician": "ann",
        "closed_at": "2026-03-10T09:00:00Z",
        "job_type": "polish",
        "damage_type": "scratch",
        "glass": "tempered",
        "price": "200",
        "labour_minutes": "60",
        "travel_minutes": "30",
        "outcome": "removed",
        **said,
    }


def facts(reference: str = "J-1") -> dict[str, Any]:
    """Return what a job says of all that a close may clear."""
    job = Job.objects.get(reference=reference)
    return {name: getattr(job, name) for name in CLEARED}


def everything(reference: str) -> dict[str, Any]:
    """Return all columns of a job."""
    return dict(Job.objects.filter(reference=reference).values().get())


@pytest.mark.parametrize("name", CLEARED)
def test_each_fact_is_kept_when_left_out_and_cleared_when_said_to_be_empty(name: str) -> None:
    before = booked()
    as_booked = facts()
    with undone_afterwards():
        close_job(read_document(CloseSerializer, "C-1", body()), now=NOW)
        assert facts() == as_booked
        assert Job.objects.get(reference="J-1").original == before.original
    said = body(**{name: CLEARED[name]})
    close_job(read_document(CloseSerializer, "C-1", said), now=NOW)
    empty = None if name == "callback_of" else CLEARED[name]
    assert facts() == {**as_booked, name: empty}
    assert (Job.objects.get(reference="J-1").original is None) == (name == "callback_of")
    assert list(job_checks.disagreements()) == []


def test_an_import_says_nothing_of_what_its_file_has_no_word_for() -> None:
    booked()
    as_booked = facts()
    close_many([closing_of("J-1", DAY)], now=NOW)
    assert facts() == as_booked


def test_what_is_cleared_cannot_have_a_value_too() -> None:
    booked()
    with pytest.raises(Refused, match="cleared note has a value too: give one of the two"):
        close("J-1", DAY, note="rain", cleared=("note",))
    with pytest.raises(Refused, match="cleared price cannot be cleared"):
        close("J-1", DAY, cleared=("price",))


# Told twice


def test_a_close_that_clears_nothing_reads_as_it_always_did() -> None:
    said = json.loads(close_content(closing_of("J-1", DAY)))
    assert "cleared" not in said
    assert set(said) == set(JobClose.__dataclass_fields__) - {"id", "kind", "cleared"}
    cleared = closing_of("J-1", DAY, cleared=("note", "length_mm"))
    assert json.loads(close_content(cleared)) == {**said, "cleared": ["length_mm", "note"]}
    assert close_content(cleared) == close_content(replace(cleared, cleared=("length_mm", "note")))


@pytest.mark.parametrize("id_", ["close-J-1", "another"])
def test_a_close_kept_before_closes_could_clear_knows_its_retry(id_: str) -> None:
    """A phone that lost the answer to a close of every fact sends it again under the same id."""
    booked()
    first = close("J-1", DAY)
    again = close("J-1", DAY, id=id_, cleared=("existing_damage", "in_primary_view", "note"))
    assert (again.posting.created, again.posting.document_id) == (False, first.posting.document_id)
    assert not RefusedDocument.objects.exists()


def test_a_close_that_cleared_and_one_that_says_something_else_are_a_conflict() -> None:
    booked()
    close("J-1", DAY, cleared=("note",))
    assert not close("J-1", DAY, cleared=("note",)).posting.created
    for other in ({"note": "rain"}, {"cleared": ("length_mm",)}, {}):
        with pytest.raises(Conflict):
            close("J-1", DAY, **other)
    assert Document.objects.filter(kind=DocumentKind.CLOSE).count() == 2


# Taken back

DAMAGE = st.sampled_from(["scratch", "scuff"])
GLASS = st.sampled_from(["tempered", "laminated"])
NOTES = st.sampled_from(["", "ring first", "Two\nlines"])
LENGTHS = st.none() | st.integers(0, 5000).map(Decimal)


@st.composite
def bookings(draw: st.DrawFn) -> dict[str, Any]:
    """Draw what a booking says, by codes."""
    return {
        "van": draw(st.sampled_from(["VAN-1", "VAN-2"])),
        "technician": draw(st.sampled_from(["ann", "bo", None])),
        "job_type": draw(st.sampled_from(["polish", "regrind"])),
        "damage_type": draw(DAMAGE),
        "glass": draw(GLASS),
        "length_mm": draw(LENGTHS),
        "catches_fingernail": draw(st.sampled_from([None, True, False])),
        "in_primary_view": draw(st.booleans()),
        "existing_damage": draw(NOTES),
        "note": draw(NOTES),
        "price": Decimal(draw(st.integers(0, 400))),
        "callback_of": draw(st.sampled_from([None, "J-0"])),
    }


@st.composite
def closes(draw: st.DrawFn) -> dict[str, Any]:
    """Draw what a close says of the same, and what it clears."""
    said = {
        "van": draw(st.sampled_from(["VAN-1", "VAN-2"])),
        "technician": draw(st.sampled_from(["ann", "bo"])),
        "job_type": draw(st.sampled_from(["polish", "regrind"])),
        "damage_type": draw(DAMAGE),
        "glass": draw(GLASS),
        "price": Decimal(draw(st.integers(0, 400))),
        "outcome": draw(st.sampled_from(["removed", "abandoned"])),
        "length_mm": draw(LENGTHS),
        "in_primary_view": draw(st.booleans()),
        "existing_damage": draw(NOTES),
        "note": draw(NOTES),
        "callback_of": draw(st.sampled_from(["", "J-0", "J-00"])),
    }
    empty = [name for name, nothing in CLEARED.items() if said[name] == nothing]
    said["cleared"] = tuple(draw(st.lists(st.sampled_from(empty), unique=True))) if empty else ()
    return said


ROWS: dict[str, Any] = {
    "van": lambda code: Van.objects.get(place__code=code),
    "technician": lambda code: code and Technician.objects.get(code=code),
    "job_type": lambda code: JobType.objects.get(code=code),
    "damage_type": lambda code: DamageType.objects.get(code=code),
    "glass": lambda code: GlassType.objects.get(code=code),
    "callback_of": lambda code: code and Job.objects.get(reference=code),
}


@settings(max_examples=examples(25))
@given(bookings(), st.lists(closes(), min_size=1, max_size=2))
def test_a_job_whose_close_is_taken_back_is_as_it_was_booked(
    said: dict[str, Any], closings: list[dict[str, Any]]
) -> None:
    with undone_afterwards():
        close("J-00", "2026-02-28")
        close("J-0", "2026-03-01", callback_of="J-00")
        booked(**{name: ROWS.get(name, lambda value: value)(value) for name, value in said.items()})
        # What repeats the job follows it to another first job and back.
        save_booked(book("J-2", callback_of=Job.objects.get(reference="J-1")))
        before = everything("J-1"), everything("J-2")
        for number, closing in enumerate(closings):
            close("J-1", DAY, id=f"C-{number}", **closing)
            job = Job.objects.get(reference="J-1")
            for name in CLEARED.keys() - {"callback_of"}:
                expected = closing[name] if closing[name] or name in closing["cleared"] else said[name]
                if name == "length_mm" and closing[name] is not None:
                    expected = closing[name]
                assert getattr(job, name) == expected
            assert list(job_checks.disagreements()) == []
            correct(f"K-{number}", "close", f"C-{number}")
            assert (everything("J-1"), everything("J-2")) == before
            assert not Booking.objects.filter(job__reference="J-1").exists()
            assert list(job_checks.disagreements()) == []


def test_a_job_that_nobody_booked_stays_as_its_undone_close_said() -> None:
    close("J-1", DAY, note="rain", in_primary_view=True)
    correct("K-1", "close", "close-J-1")
    job = Job.objects.get()
    assert (job.status, job.note, job.in_primary_view) == ("booked", "rain", True)
    assert (job.closed_at, job.labour_minutes, job.travel_minutes) == (None, None, None)
    close("J-1", DAY, id="again", cleared=("in_primary_view", "note"))
    job = Job.objects.get()
    assert (job.note, job.in_primary_view) == ("", False)


def test_a_booking_that_would_come_back_to_itself_repeats_nothing_when_its_close_is_taken_back() -> None:
    """While it was closed and repeated nothing, the job that its booking named became its callback."""
    close("J-9", "2026-03-01")
    save_booked(book("J-1", callback_of=Job.objects.get(reference="J-9")))
    close("J-1", DAY, cleared=("callback_of",))
    correct("K-9", "close", "close-J-9")
    later = Job.objects.get(reference="J-9")
    later.callback_of = Job.objects.get(reference="J-1")
    save_booked(later)
    correct("K-1", "close", "close-J-1")
    job = Job.objects.get(reference="J-1")
    assert (job.callback_of, job.original) == (None, None)
    assert Job.objects.get(reference="J-9").original == job


# The books


@pytest.mark.parametrize(
    ("name", "value"),
    [("length_mm", Decimal(1)), ("in_primary_view", True), ("existing_damage", "x"), ("note", "x")],
)
def test_a_closed_jobs_facts_changed_behind_the_doors_are_named(name: str, value: object) -> None:
    booked(**{**SAID_AT_BOOKING, "in_primary_view": False})
    close("J-1", DAY)
    with undone_afterwards():
        Job.objects.filter(reference="J-1").update(**{name: value})
        assert [found.what for found in job_checks.disagreements()] == [f"job, {name}"]
    correct("K-1", "close", "close-J-1")
    close("J-1", DAY, id="C-2", cleared=tuple(SAID_AT_BOOKING))
    assert list(job_checks.disagreements()) == []
    Job.objects.filter(reference="J-1").update(**{name: value})
    assert [found.what for found in job_checks.disagreements()] == [f"job, {name}"]


def test_a_booking_kept_beside_a_job_that_is_not_closed_is_named() -> None:
    booked()
    close("J-1", DAY)
    kept = Booking.objects.get()
    correct("K-1", "close", "close-J-1")
    kept.save(force_insert=True)
    (found,) = job_checks.disagreements()
    assert (found.what, found.where) == ("booking kept", "job J-1")
