"""Closing jobs: exactly once, complete, late, and never refused for what the book says."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from inventory.ledger import Conflict, Refused
from inventory.models import Document, Holding, Movement, RefusedDocument
from shop.jobs.close_data import JobClose, close_content
from shop.jobs.close_job import close_job, close_many
from shop.models import Job, JobCost, JobStatus, JobUse
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    assert_costs_follow_facts,
    at,
    book,
    close,
    closing_of,
    correct,
    cost_of,
    cost_of_all,
    export,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    used,
)

pytestmark = pytest.mark.django_db
DAY = "2026-03-10 09:00"


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    receive("R-1", "2026-03-01", (DISC, "100", "250"), (COMPOUND, "1000", "80"), (PAD, "10", "150"))


def posted() -> tuple[int, int, int, int]:
    """Return how many documents of jobs, movements of them, costs and logged uses there are."""
    return (
        Document.objects.exclude(kind="receipt").count(),
        Movement.objects.exclude(document__kind="receipt").count(),
        JobCost.objects.count(),
        JobUse.objects.count(),
    )


def test_a_close_makes_the_job_and_says_what_it_took() -> None:
    answer = close(
        "J-1",
        DAY,
        used(DISC, "4", "35"),
        used(PAD, "0", "20"),
        length_mm=Decimal(250),
        in_primary_view=True,
        existing_damage="chip, lower left",
        note="rain",
    )
    assert (answer.job, answer.posting.created) == ("J-1", True)
    assert answer.posting.posted_at == at(DAY)
    job = Job.objects.get(reference="J-1")
    assert job.status == JobStatus.CLOSED
    assert job.closed_at == at(DAY)
    assert (job.van.code, job.technician_id and job.technician and job.technician.code) == ("VAN-1", "ann")
    assert (job.price, job.labour_minutes, job.travel_minutes) == (200, 60, 30)
    assert (job.length_mm, job.in_primary_view, job.outcome) == (250, True, "removed")
    assert (job.existing_damage, job.note) == ("chip, lower left", "rain")
    assert [(use.consumable.code, use.quantity, use.minutes) for use in job.uses.all()] == [
        (DISC, 4, 35),
        (PAD, 0, 20),
    ]
    # 4 discs of the 100 that came for 250, and 20 minutes of a pad of 15.00 that lasts 300.
    assert cost_of("J-1").materials == 10
    assert cost_of("J-1").wear == 1
    assert posted() == (1, 1, 1, 2)


# Exactly once


def test_the_same_close_again_is_answered_with_the_first_result() -> None:
    first = close("J-1", DAY, used(DISC, "4"))
    before = posted()
    again = close("J-1", DAY, used(DISC, "4"))
    assert not again.posting.created
    assert again == replace(first, posting=replace(first.posting, created=False))
    assert posted() == before


def test_equal_content_may_be_written_differently() -> None:
    close("J-1", DAY, used(DISC, "4"))
    again = closing_of("J-1", "2026-03-10 10:00+01:00", used(DISC, "4.000"), price=Decimal("2E+2"))
    assert not close_job(again, now=NOW).posting.created


@pytest.mark.django_db(transaction=True)
def test_the_same_id_with_other_content_is_refused_and_kept() -> None:
    close("J-1", DAY, used(DISC, "4"))
    before = posted()
    with pytest.raises(Conflict, match="close close-J-1: id close-J-1 was posted before with other content"):
        close("J-1", DAY, used(DISC, "4"), price=Decimal(201))
    kept = RefusedDocument.objects.get()
    assert (kept.kind, kept.client_id) == ("close", "close-J-1")
    assert '"price": "201"' in kept.content["content"]
    assert posted() == before
    assert Job.objects.get().price == 200


def test_another_id_with_the_same_content_counts_once() -> None:
    first = close("J-1", DAY, used(DISC, "4"))
    again = close("J-1", DAY, used(DISC, "4"), id="other-phone")
    assert again.posting == replace(first.posting, created=False)
    assert posted() == (1, 1, 1, 1)


@pytest.mark.parametrize("seconds", [0.001, 7, -1200])
def test_the_same_content_of_another_phone_counts_once_whatever_the_moment_of_the_tap(seconds: float) -> None:
    first = close("J-1", DAY, used(DISC, "4"))
    other = closing_of("J-1", DAY, used(DISC, "4"), id="other-phone")
    again = close_job(replace(other, closed_at=other.closed_at + timedelta(seconds=seconds)), now=NOW)
    assert again.posting == replace(first.posting, created=False)
    assert posted() == (1, 1, 1, 1)
    with pytest.raises(Conflict, match="is closed already"):
        close_job(replace(other, closed_at=other.closed_at - timedelta(days=1)), now=NOW)


@pytest.mark.django_db(transaction=True)
def test_another_id_with_other_content_is_refused_and_kept() -> None:
    close("J-1", DAY, used(DISC, "4"))
    with pytest.raises(
        Conflict, match="job J-1 is closed already: technician ann closed it on 2026-03-10 at 09:00"
    ):
        close("J-1", DAY, used(DISC, "5"), id="other-phone")
    kept = RefusedDocument.objects.get()
    assert (kept.client_id, kept.content["uses"][0]["quantity"]) == ("other-phone", "5")
    assert posted() == (1, 1, 1, 1)


def test_a_batch_counts_a_repeated_close_once() -> None:
    one = closing_of("J-1", DAY, used(DISC, "4"))
    answers = close_many([one, one, replace(one, id="other-phone")], now=NOW)
    assert [answer.posting.created for answer in answers] == [True, False, False]
    assert len({answer.posting.document_id for answer in answers}) == 1
    assert posted() == (1, 1, 1, 1)


@pytest.mark.parametrize("id_", ["close-J-1", "other-phone"])
@pytest.mark.parametrize(
    "change", [{"price": Decimal(201)}, {"uses": ()}, {"technician": "bo"}, {"note": "rain"}]
)
def test_a_batch_with_two_contents_for_one_job_is_refused_whole(id_: str, change: dict[str, object]) -> None:
    one = closing_of("J-1", DAY, used(DISC, "4"))
    other = replace(one, id=id_, **change)  # type: ignore[arg-type]
    with pytest.raises(Conflict):
        close_many([closing_of("J-0", DAY), one, other], now=NOW)
    assert posted() == (0, 0, 0, 0)
    assert not Job.objects.exists()


def test_one_id_for_two_jobs_is_refused() -> None:
    one = closing_of("J-1", DAY)
    with pytest.raises(Conflict, match="close close-J-1"):
        close_many([one, replace(one, job="J-2")], now=NOW)
    close_job(one, now=NOW)
    with pytest.raises(Conflict, match="was posted before with other content"):
        close_job(replace(one, job="J-2"), now=NOW)


def test_the_first_phones_retry_after_a_correction_and_a_new_close_is_answered() -> None:
    first = close("J-1", DAY, used(DISC, "4"))
    correct("K-1", "close", "close-J-1")
    second = close("J-1", DAY, used(DISC, "5"), id="again")
    assert second.posting.created
    retry = close("J-1", DAY, used(DISC, "4"))
    assert retry.posting == replace(first.posting, created=False)
    assert Job.objects.get().uses.filter(document__corrected_by__isnull=True).get().quantity == 5
    with pytest.raises(Conflict, match="is closed already: technician ann closed it"):
        close("J-1", DAY, used(DISC, "4"), id="third")


# Late


def test_a_close_that_comes_late_counts_on_the_day_it_happened() -> None:
    pay("60")
    close("J-2", "2026-03-20 09:00", used(DISC, "60"))
    receive("R-2", "2026-03-15", (DISC, "100", "350"))
    # 100 at 2.50 and 100 at 3.50 make an average of 3.00.
    assert cost_of("J-2").materials == 180
    late = close("J-1", DAY, used(DISC, "50"))
    assert late.posting.posted_at == at(DAY)
    # Before the second receipt: 50 at 2.50; after it 150 are worth 475.
    assert cost_of("J-1").materials == 125
    assert cost_of("J-2").materials == 190
    assert [row["job"] for row in export()] == ["J-1", "J-2"]
    assert_costs_follow_facts()


def test_a_close_in_a_locked_month_posts_on_the_first_open_day_and_leaves_the_export_as_it_was() -> None:
    pay("60")
    close("J-1", DAY, used(DISC, "4"))
    lock("2026-04-01")
    march = export("2026-03-01", "2026-03-31")
    late = close("J-2", "2026-03-20 09:00", used(DISC, "6"))
    assert late.posting.posted_at == at("2026-04-01")
    assert "happened in a locked period; counts on 2026-04-01" in late.posting.flags
    assert Job.objects.get(reference="J-2").closed_at == at("2026-03-20 09:00")
    receive("R-late", "2026-03-05", (DISC, "100", "900"))
    assert export("2026-03-01", "2026-03-31") == march
    (april,) = export("2026-04-01", "2026-04-30")
    assert (april["job"], april["closed_at"]) == ("J-2", "2026-03-20T09:00:00+00:00")
    assert_costs_follow_facts()


# Booked, cancelled, unknown


def test_a_booked_job_becomes_what_its_close_says() -> None:
    booked = book("J-1", length_mm=Decimal(300), in_primary_view=True, existing_damage="chip", price=150)
    answer = close("J-1", DAY, used(DISC, "4"))
    assert answer.posting.created
    job = Job.objects.get()
    assert (job.pk, job.status, job.price) == (booked.pk, "closed", 200)
    assert (job.van.code, job.job_type.code, job.damage_type.code) == ("VAN-1", "polish", "scratch")
    # What the close leaves open stays as it was booked.
    assert (job.length_mm, job.in_primary_view, job.existing_damage) == (300, True, "chip")
    assert Holding.objects.get(place__code="VAN-1").quantity == -4


def test_a_cancelled_job_is_not_closed_by_mistake() -> None:
    book("J-1", status=JobStatus.CANCELLED)
    with pytest.raises(Refused, match="job J-1 is cancelled; book it again"):
        close("J-1", DAY)
    assert Job.objects.get().status == JobStatus.CANCELLED


def test_all_unknown_codes_are_named_at_once() -> None:
    unknown = closing_of(
        "J-1",
        DAY,
        used("no-disc", "1"),
        used(DISC, "1"),
        used("no-pad", "0", "5"),
        van="DEPOT",
        technician="cy",
        job_type="no-type",
        damage_type="no-damage",
        glass="no-glass",
        callback_of="J-0",
        outcome="gone",
    )
    with pytest.raises(Refused) as refused:
        close_many([unknown, closing_of("J-2", DAY, technician="di")], now=NOW)
    assert [(document.id, p.field, p.value, p.line) for document, p in refused.value.problems] == [
        ("close-J-1", "outcome", "gone", None),
        ("close-J-1", "van", "DEPOT", None),
        ("close-J-1", "technician", "cy", None),
        ("close-J-1", "job_type", "no-type", None),
        ("close-J-1", "damage_type", "no-damage", None),
        ("close-J-1", "glass", "no-glass", None),
        ("close-J-1", "callback_of", "J-0", None),
        ("close-J-1", "consumable", "no-disc", 1),
        ("close-J-1", "consumable", "no-pad", 3),
        ("close-J-2", "technician", "di", None),
    ]
    assert posted() == (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"id": ""}, "id  is empty"),
        ({"id": "a\0b"}, "has a control character"),
        ({"job": "a\0b"}, "has a control character"),
        ({"job": "=1+1"}, "spreadsheet would run"),
        ({"job": "x" * 65}, "longer than 64"),
        ({"callback_of": "a\0b"}, "is not a known job"),
        ({"van": "a\0b"}, "is not a known van"),
        ({"note": "a\0b"}, "note a\0b has a control character"),
        ({"existing_damage": "x" * 1001}, "existing_damage x+ is longer than 1000"),
        ({"closed_at": datetime(2026, 3, 1)}, "has no time zone"),  # noqa: DTZ001
        ({"closed_at": datetime(1926, 3, 1, tzinfo=UTC)}, "is outside the years"),
        ({"price": Decimal("NaN")}, "price NaN is not a number"),
        ({"price": Decimal("sNaN")}, "price sNaN is not a number"),
        ({"price": Decimal(-1)}, "price -1 is negative"),
        ({"price": Decimal("1E+30")}, "is above 1,000,000,000"),
        ({"price": Decimal("0.00001")}, "more than 4 decimal places"),
        ({"labour_minutes": Decimal("Infinity")}, "labour_minutes Infinity is not a number"),
        ({"travel_minutes": Decimal(20_000)}, "travel_minutes 20000 is above 10,080"),
        ({"length_mm": Decimal(-5)}, "length_mm -5 is negative"),
        ({"callback_of": "J-1"}, "is the job itself"),
        ({"uses": (used(DISC, "0"),)}, "line 1: quantity 0 is zero"),
        ({"uses": (used(DISC, "-2"),)}, "line 1: quantity -2 is negative"),
        ({"uses": (used(DISC, "NaN"),)}, "line 1: quantity NaN is not a number"),
        ({"uses": (used(PAD, "0", "5"), used(DISC, "1.5"))}, "line 2: quantity 1.5 is not whole"),
        ({"uses": (used("a\0b", "1"),)}, "line 1: consumable a\0b is not a known consumable"),
        ({"uses": (used(DISC, "1", "-1"),)}, "line 1: minutes -1 is negative"),
        ({"uses": (used(DISC, "1", "1", "-1"),)}, "line 1: spoilt -1 is negative"),
        (
            {"uses": (replace(used(DISC, "1"), spoilt_reason="x" * 201),)},
            "line 1: spoilt_reason x+ is longer than 200",
        ),
        ({"uses": (replace(used(DISC, "1"), spoilt_reason="a\0"),)}, "has a control character"),
    ],
)
def test_bad_input_is_explained_and_nothing_is_written(change: dict[str, object], complaint: str) -> None:
    with pytest.raises(Refused, match=complaint) as refused:
        close_job(replace(closing_of("J-1", DAY), **change), now=NOW)  # type: ignore[arg-type]
    assert not isinstance(refused.value, Conflict)
    assert posted() == (0, 0, 0, 0)
    assert not Job.objects.exists()


# Reality wins


def test_a_use_beyond_the_stock_is_flagged_and_never_refused() -> None:
    answer = close("J-1", DAY, used(DISC, "130"))
    assert answer.posting.created
    assert any("VAN-1 held 0 of DISC-P400" in flag for flag in answer.posting.flags)
    # 100 at 2.50, and 30 more at the last known cost until a receipt settles them.
    assert cost_of("J-1").materials == 325
    assert_costs_follow_facts()


# All or none


def test_a_batch_with_one_bad_close_writes_nothing() -> None:
    with pytest.raises(Refused, match="close close-J-2: technician cy"):
        close_many(
            [closing_of("J-1", DAY, used(DISC, "4")), closing_of("J-2", DAY, technician="cy")], now=NOW
        )
    assert posted() == (0, 0, 0, 0)


def test_no_close_is_half_written(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("the power went")

    monkeypatch.setattr("shop.costing.job_costs.add", fail)
    with pytest.raises(RuntimeError):
        close("J-1", DAY, used(DISC, "4"))
    assert posted() == (0, 0, 0, 0)
    assert not Job.objects.exists()
    assert Holding.objects.filter(place__code="VAN-1").count() == 0


def test_content_says_everything_but_the_id() -> None:
    one = closing_of("J-1", DAY, used(DISC, "4"))
    assert close_content(one) == close_content(replace(one, id="other"))
    changes: list[dict[str, object]] = [
        {"job": "J-2"},
        {"van": "VAN-2"},
        {"technician": "bo"},
        {"closed_at": at("2026-03-11")},
        {"job_type": "regrind"},
        {"damage_type": "other"},
        {"glass": "coated"},
        {"price": Decimal(1)},
        {"labour_minutes": Decimal(1)},
        {"travel_minutes": Decimal(1)},
        {"outcome": "reduced"},
        {"length_mm": Decimal(0)},
        {"callback_of": "J-0"},
        {"uses": ()},
        {"in_primary_view": True},
        {"existing_damage": "x"},
        {"note": "x"},
        {"cleared": ("note",)},
    ]
    assert {name for change in changes for name in change} == set(JobClose.__dataclass_fields__) - {
        "id",
        "kind",
    }
    contents = {close_content(replace(one, **change)) for change in changes}  # type: ignore[arg-type]
    assert len(contents | {close_content(one)}) == len(changes) + 1


def test_stock_documents_go_through_the_same_door() -> None:
    close("J-1", DAY, used(DISC, "4"))
    back = give_back("B-1", "2026-03-10 12:00", ("close", "close-J-1"), (DISC, "1"))
    assert cost_of_all().materials == Decimal("7.5")
    assert give_back("B-1", "2026-03-10 12:00", ("close", "close-J-1"), (DISC, "1")) == replace(
        back, created=False
    )
    correct("K-1", "return", "B-1")
    assert cost_of_all().materials == 10
    with pytest.raises(Refused, match="returns_id"):
        give_back("B-2", DAY, ("close", "a\0b"), (DISC, "1"))
    with pytest.raises(Refused, match="is not a posted document"):
        correct("K-2", "close", "unknown")
    assert_costs_follow_facts()
