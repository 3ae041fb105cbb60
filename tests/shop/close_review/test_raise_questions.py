"""The questions a close raises: asked of all that was logged, against the latest jobs, once."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inventory.models import Consumable
from shop.close_review import raise_questions
from shop.jobs.additional_usage import add_uses_many
from shop.jobs.close_data import JobUses
from shop.jobs.close_job import close_job, close_many
from shop.models import Finding, JobType, StandardUse
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    at,
    close,
    closing_of,
    correct,
    open_shop,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()


def usual(quantity: str = "4", jobs: int = 10) -> None:
    """Close jobs that each took this many discs."""
    close_many(
        [
            closing_of(f"usual-{n}", (at("2026-02-01") + timedelta(days=n)).isoformat(), used(DISC, quantity))
            for n in range(jobs)
        ],
        now=NOW,
    )


def asked(job: str) -> list[tuple[str, str]]:
    """Return what was asked about a job: the check and the consumable."""
    return list(Finding.objects.filter(job__reference=job).values_list("code", "consumable"))


def test_a_box_entered_as_each_is_asked_about() -> None:
    usual()
    answer = close("J-1", "2026-03-10", used(DISC, "100"))
    assert asked("J-1") == [("ten times usual", DISC)]
    assert answer.posting.created
    assert "100" in Finding.objects.get().message


def test_history_is_that_of_the_same_job_type() -> None:
    usual()
    close("J-1", "2026-03-10", used(DISC, "100"), job_type="regrind")
    assert asked("J-1") == []


def test_a_job_is_no_history_of_its_own() -> None:
    # Eight jobs are asked for; with itself they would be.
    usual(jobs=7)
    close("J-1", "2026-03-10", used(DISC, "100"))
    assert asked("J-1") == []
    close("J-2", "2026-03-11", used(DISC, "100"))
    assert asked("J-2") == [("ten times usual", DISC)]


def test_history_is_the_latest_jobs_only(monkeypatch: pytest.MonkeyPatch) -> None:
    usual("100", jobs=10)
    for number in range(10):
        close(f"now-{number}", f"2026-03-0{number % 9 + 1}", used(DISC, "4"))
    Finding.objects.all().delete()
    monkeypatch.setattr(raise_questions, "HISTORY_JOBS", 10)
    close("J-1", "2026-03-10", used(DISC, "100"))
    assert asked("J-1") == [("ten times usual", DISC)]


def test_undone_jobs_are_no_history() -> None:
    usual()
    for number in range(10):
        correct(f"K-{number}", "close", f"close-usual-{number}")
    close("J-1", "2026-03-10", used(DISC, "100"))
    assert asked("J-1") == []


def test_several_lines_of_one_consumable_are_one_use_in_history_too() -> None:
    close_many(
        [closing_of(f"usual-{n}", "2026-02-01", *[used(DISC, "1")] * 20) for n in range(10)],
        now=NOW,
    )
    close("J-1", "2026-03-10", *[used(DISC, "1")] * 20)
    assert asked("J-1") == []


def test_a_missing_finishing_step_is_asked_about_once() -> None:
    StandardUse.objects.create(
        job_type=JobType.objects.get(code="polish"),
        consumable=Consumable.objects.get(code=COMPOUND),
        quantity=Decimal(30),
        finishing=True,
    )
    close("J-1", "2026-03-10", used(DISC, "4", "30"))
    assert asked("J-1") == [("finishing missing", COMPOUND)]
    use_more("U-1", "J-1", used(FINE_DISC, "1", "9"))
    assert asked("J-1") == [("finishing missing", COMPOUND)]
    close("J-2", "2026-03-10", used(COMPOUND, "30"))
    close("J-3", "2026-03-10", used(DISC, "4", "30"), outcome="abandoned")
    assert asked("J-2") == asked("J-3") == []


def test_a_close_anew_is_asked_anew() -> None:
    close("J-1", "2026-03-10", used(DISC, "1", "30"))
    correct("K-1", "close", "close-J-1")
    close("J-1", "2026-03-10", used(DISC, "1", "40"), id="again")
    assert asked("J-1") == [("minutes exceed discs", DISC)] * 2


def test_jobs_in_bulk_are_asked_when_their_uses_come() -> None:
    StandardUse.objects.create(
        job_type=JobType.objects.get(code="polish"),
        consumable=Consumable.objects.get(code=COMPOUND),
        quantity=Decimal(30),
        finishing=True,
    )
    close_many([closing_of("J-1", "2026-03-10"), closing_of("J-2", "2026-03-10")], now=NOW)
    close_many([closing_of("J-3", "2026-03-10")], now=NOW)
    assert not Finding.objects.exists()
    add_uses_many(
        [JobUses("U-1", "J-1", (used(COMPOUND, "30"),)), JobUses("U-2", "J-2", (used(DISC, "1"),))], now=NOW
    )
    assert asked("J-1") == []
    assert asked("J-2") == [("finishing missing", COMPOUND)]
    close_job(closing_of("J-4", "2026-03-10"), now=NOW)
    assert asked("J-4") == [("finishing missing", COMPOUND)]


def test_two_documents_of_one_job_in_a_batch_ask_once() -> None:
    close("J-1", "2026-03-10")
    add_uses_many(
        [JobUses(f"U-{n}", "J-1", (used(DISC, "1", "30"),)) for n in range(2)],
        now=NOW,
    )
    assert asked("J-1") == [("minutes exceed discs", DISC)]
