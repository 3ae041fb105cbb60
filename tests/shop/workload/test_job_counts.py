"""Jobs done and booked by van and week, as the books were known at a moment."""

from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.documents import Correction
from inventory.models import Place, PlaceKind
from inventory.reports.iso_weeks import Weeks
from shop.jobs import returns_and_corrections
from shop.jobs.close_data import JobClose
from shop.jobs.close_job import close_job
from shop.models import DamageType, GlassType, Job, JobType, Van
from shop.workload.job_counts import first_job, jobs_booked, jobs_done, van_places
from tests.inventory.small_shop import NOW, day
from tests.shop.job_shop import open_job_shop

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 1, 5)


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_job_shop()


def close(
    job: str, moment: datetime, *, van: str = "van-a", recorded: datetime = NOW, id_: str | None = None
) -> None:
    close_job(
        JobClose(
            id=id_ or job,
            job=job,
            van=van,
            technician="ann",
            closed_at=moment,
            job_type="scratch-small",
            damage_type="scratch",
            glass="tempered",
            price=Decimal(100),
            labour_minutes=Decimal(60),
            travel_minutes=Decimal(30),
            outcome="removed",
        ),
        now=recorded,
    )


def book(reference: str, on: date | None, van: str = "van-a", status: str = "booked") -> None:
    Job.objects.create(
        reference=reference,
        status=status,
        van=Van.objects.get(place__code=van),
        job_type=JobType.objects.get(),
        damage_type=DamageType.objects.get(code="scratch"),
        glass=GlassType.objects.get(code="tempered"),
        booked_for=on,
    )


def place(code: str) -> int:
    return Place.objects.get(code=code).pk


def done(weeks: Weeks, known_at: datetime) -> dict[int, dict[int, int]]:
    """Return the jobs done by place and week."""
    found: dict[int, dict[int, int]] = defaultdict(dict)
    for van, week, jobs in jobs_done(weeks, known_at):
        assert week not in found[van]
        found[van][week] = jobs
    return dict(found)


def test_jobs_count_in_the_week_and_at_the_van_of_their_close() -> None:
    midnight = datetime(2026, 1, 12, tzinfo=ZoneInfo("America/Denver"))
    weeks = Weeks(MONDAY, 2, ZoneInfo("America/Denver"))
    close("J-1", midnight - timedelta(seconds=1))
    close("J-2", midnight)
    close("J-3", midnight, van="van-b")
    close("J-4", midnight - timedelta(days=8))
    assert done(weeks, NOW) == {place("van-a"): {0: 1, 1: 1}, place("van-b"): {1: 1}}


def test_only_what_was_recorded_by_then_counts() -> None:
    weeks = Weeks(MONDAY, 3, UTC)
    close("J-1", day(5), recorded=day(5))
    close("J-late", day(6), recorded=day(15))
    assert done(weeks, day(14)) == {place("van-a"): {0: 1}}
    assert first_job(day(4)) is None
    assert first_job(day(14)) == day(5)
    returns_and_corrections.post(Correction("K-1", day(16), "close", "J-1", "it was van-b"), now=day(16))
    assert done(weeks, day(15)) == {place("van-a"): {0: 2}}
    assert done(weeks, day(16)) == {place("van-a"): {0: 1}}
    close("J-1", day(12), van="van-b", recorded=day(17), id_="J-1 again")
    assert done(weeks, day(16)) == {place("van-a"): {0: 1}}
    assert done(weeks, day(17)) == {place("van-a"): {0: 1}, place("van-b"): {1: 1}}


def test_bookings_count_in_sevens_of_days_from_today() -> None:
    today = date(2026, 3, 4)
    for number, days in enumerate((0, 6, 7, 13, 14, -1, -14, -15)):
        book(f"J-{number}", today + timedelta(days=days))
    book("J-undated", None)
    book("J-cancelled", today, status="cancelled")
    book("J-other", today + timedelta(days=8), van="van-b")
    # Late by up to 14 days: soon. 14 days ahead is beyond the second seven; 15 days late was forgotten.
    assert jobs_booked(today, 2) == {place("van-a"): [4, 2], place("van-b"): [0, 1]}


def test_vans_are_places_of_vans_only() -> None:
    Place.objects.create(code="van-z", kind=PlaceKind.VAN)  # a van's place that no van stands for
    assert van_places() == sorted([place("van-a"), place("van-b")])


def test_each_answer_takes_one_query() -> None:
    for number in range(12):
        close(f"J-{number}", day(5 + 3 * number), van=("van-a", "van-b")[number % 2])
        book(f"J-b{number}", MONDAY + timedelta(days=number))
    with CaptureQueriesContext(connection) as captured:
        jobs_done(Weeks(MONDAY, 9, UTC), NOW)
        jobs_booked(MONDAY, 9)
        first_job(NOW)
    assert len(captured) == 3
