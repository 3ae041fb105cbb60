"""The pages of bookings: a job gets a van and a day, and the list of them."""

from datetime import timedelta
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from shop.estimating.booked_demand import booked_use
from shop.jobs import bookings
from shop.models import (
    Customer,
    DamageType,
    Job,
    JobStatus,
    JobType,
    Role,
    Site,
    StandardUse,
    Technician,
)
from shop.web.bookings.next_reference import next_free
from shop.workload.job_counts import jobs_booked
from tests.shop.desk_pages import client, desk, said, send
from tests.shop.estimating.test_quote import consumable
from tests.shop.web.bookings.booking_shop import ESTIMATE, SCRATCH, TODAY, open_booking_shop, work_at_cost
from tests.shop.world import DISC, at, book, charge_overhead, close

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop() -> None:
    open_booking_shop()


def booking(**changes: Any) -> dict[str, Any]:
    """Return what a person enters to book a scratch on VAN-1 for tomorrow."""
    return {
        "reference": "B-0001",
        "booked_for": f"{TODAY() + timedelta(days=1)}",
        "van": "VAN-1",
        **SCRATCH,
        "customer": "Quay Bakers",
        **changes,
    }


def job(reference: str) -> Job:
    """Return a job by its reference."""
    return Job.objects.get(reference=reference)


# Booking


def test_an_estimate_leads_to_a_booking_that_is_filled_in() -> None:
    work_at_cost()
    found = desk(
        f"{ESTIMATE}?{urlencode(SCRATCH | {'length': '120', 'in_primary_view': 'on', 'price': '200'})}"
    )
    page = client().get(found.href("/jobs/book/"))
    html = page.content.decode()
    assert 'value="B-0001"' in html
    for name, value in (("length", "120"), ("price", "200"), ("booked_for", TODAY() + timedelta(days=1))):
        assert f'name="{name}" value="{value}"' in html
    assert '<option value="scratch" selected>' in html


def test_a_booked_job_is_known_to_the_phone_to_forecasts_and_to_drafts() -> None:
    StandardUse.objects.create(
        job_type=JobType.objects.get(code="polish"), consumable_id=consumable(DISC), quantity=Decimal(3)
    )
    answer = send(
        "/jobs/book/", Role.OWNER, **booking(length="120", unit="mm", depth="no", note="Ring first")
    )
    assert "B-0001" in said(answer)
    made = job("B-0001")
    assert (made.status, made.van.code, made.price) == (JobStatus.BOOKED, "VAN-1", Decimal(180))
    assert (made.length_mm, made.catches_fingernail) == (Decimal(120), False)
    assert f"{made.site}" == "Quay Bakers, Shop"
    assert seen_by_phone() == ["B-0001"]
    place = made.van.place_id
    assert jobs_booked(TODAY(), 1) == {place: [1]}
    assert [use.mean for use in uses_ahead().values()] == [Decimal(3)]
    send(f"/jobs/{made.pk}/cancel/", Role.OWNER, reason="Sold the car")
    made.refresh_from_db()
    assert (made.status, made.note) == (JobStatus.CANCELLED, "Ring first\nCancelled: Sold the car")
    assert (seen_by_phone(), jobs_booked(TODAY(), 1), uses_ahead()) == ([], {}, {})


def seen_by_phone() -> list[str]:
    """Return the jobs that the technician's phone shows."""
    bundle = client(Role.TECHNICIAN).get("/phone/bundle/").json()
    return [found["reference"] for found in bundle["jobs"]]


def uses_ahead() -> dict[Any, Any]:
    """Return what the bookings of the next week take."""
    return booked_use(TODAY(), TODAY() + timedelta(days=6), since=at("2026-01-01"), until=at("2026-12-01"))


def test_sending_a_booking_twice_books_once() -> None:
    for _ in range(2):
        answer = send("/jobs/book/", Role.OWNER, **booking())
    assert "already" in said(answer)
    assert Job.objects.count() == 1


def test_a_reference_that_was_given_meanwhile_is_never_taken_over() -> None:
    send("/jobs/book/", Role.OWNER, **booking())
    answer = send("/jobs/book/", Role.OWNER, **booking(van="VAN-2"))
    assert "another job" in said(answer)
    assert 'value="B-0002"' in answer.content.decode()
    assert job("B-0001").van.code == "VAN-1"
    book("B-0002")
    send("/jobs/book/", Role.OWNER, **booking(reference="B-0003", van="VAN-2"))
    assert Job.objects.count() == 3


@pytest.mark.parametrize(
    ("latest", "taken", "free"),
    [
        ("", (), "B-0001"),
        ("B-0009", (), "B-0010"),
        ("B-9999", (), "B-10000"),
        ("2026/17", ("2026/18", "2026/19"), "2026/20"),
        ("ad hoc", (), "B-0001"),
        ("7", tuple(str(number) for number in range(200)), "200"),
    ],
)
def test_the_next_reference_follows_the_shops_own(latest: str, taken: tuple[str, ...], free: str) -> None:
    assert next_free(latest, "B-0001", lambda asked: set(asked) & set(taken)) == free


def test_a_customer_is_found_by_code_or_name_and_made_only_when_that_was_said() -> None:
    unknown = send("/jobs/book/", Role.OWNER, **booking(customer="Quay Cafe"))
    assert "No customer is called Quay Cafe. Is it Quay Bakers?" in said(unknown)
    assert Job.objects.count() == 0
    new = {"customer": "Quay Cafe", "new_customer": "on", "phone": "555 0101"}
    assert "Say where" in said(send("/jobs/book/", Role.OWNER, **booking(**new)))
    assert Customer.objects.count() == 2
    send("/jobs/book/", Role.OWNER, **booking(**new, site="Terrace", address="2 Quay"))
    made = Customer.objects.get(name="Quay Cafe")
    assert (made.code, made.phone) == ("K-009", "555 0101")
    assert job("B-0001").site == Site.objects.get(customer=made, name="Terrace", address="2 Quay")
    send("/jobs/book/", Role.OWNER, **booking(reference="B-0002", customer="k-009"))
    assert not Job.objects.filter(reference="B-0002").exists()
    send("/jobs/book/", Role.OWNER, **booking(reference="B-0002", customer="QUAY CAFE", site="terrace"))
    assert job("B-0002").site == job("B-0001").site
    assert Customer.objects.count() == 3


def test_of_several_sites_one_must_be_said_and_a_new_one_may() -> None:
    several = send("/jobs/book/", Role.OWNER, **booking(customer="K-008"))
    assert "Tram Company has several: North, South." in said(several)
    send("/jobs/book/", Role.OWNER, **booking(customer="K-008", site="East"))
    assert f"{job('B-0001').site}" == "Tram Company, East"


def test_a_job_may_be_booked_for_nobody_yet_and_as_a_callback() -> None:
    close("J-1", "2026-03-02")
    answer = send("/jobs/book/", Role.OWNER, **booking(customer="", callback_of="J-1", price="0"))
    assert answer.status_code == 200
    made = job("B-0001")
    assert (made.site, made.callback_of, made.original, made.price) == (None, job("J-1"), job("J-1"), 0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"booked_for": ""}, "This field is required"),
        ({"booked_for": "2026-13-40"}, "Enter a valid date"),
        ({"booked_for": "0001-01-01"}, "outside the years 2000 to 2100"),
        ({"van": "DEPOT"}, "Select a valid choice"),
        ({"job_type": ""}, "This field is required"),
        ({"glass": ""}, "This field is required"),
        ({"price": "-1"}, "greater than or equal to 0"),
        ({"price": "1e30"}, "less than or equal to"),
        ({"customer": "", "site": "Shop"}, "Say whose site it is."),
        ({"callback_of": "J-none"}, "There is no job of that reference."),
        ({"reference": "a\tb"}, "control character"),
        ({"reference": "B" * 65}, "at most 64"),
        ({"note": "x" * 2001}, "at most 2000"),
    ],
)
def test_a_booking_that_cannot_be_says_why_and_stores_nothing(changes: dict[str, str], words: str) -> None:
    answer = client().post("/jobs/book/", booking(**changes))
    assert answer.status_code == 400
    assert words in said(answer)
    assert (Job.objects.count(), Customer.objects.count(), Site.objects.count()) == (0, 2, 3)


def test_a_booking_for_a_day_that_is_past_is_kept_and_questioned() -> None:
    answer = send("/jobs/book/", Role.OWNER, **booking(booked_for="2026-01-02"))
    assert "2026-01-02 is past" in said(answer)
    assert "still open" in said(answer)


def test_a_booking_moves_to_another_day_and_van_and_the_move_is_noted() -> None:
    send("/jobs/book/", Role.OWNER, **booking(length="100", unit="mm"))
    made = job("B-0001")
    form = desk(f"/jobs/{made.pk}/")
    assert "Booking B-0001" in form.text
    day = TODAY() + timedelta(days=3)
    answer = send(
        f"/jobs/{made.pk}/", Role.OWNER, **booking(van="VAN-2", booked_for=f"{day}", technician="bo")
    )
    made.refresh_from_db()
    assert (made.van.code, made.booked_for, made.technician) == (
        "VAN-2",
        day,
        Technician.objects.get(code="bo"),
    )
    assert f"{day}, VAN-2" in said(answer)
    assert f"before: {TODAY() + timedelta(days=1)}, VAN-1" in desk("/people/trail/").text


def test_what_a_form_shows_of_a_booking_saves_as_it_was() -> None:
    pence = {"length": "3.5", "unit": "in", "depth": "yes", "price": "99.5", "existing_damage": "A chip"}
    send("/jobs/book/", Role.OWNER, **booking(**pence, in_primary_view="on", note="Two\nlines"))
    before = Job.objects.filter(reference="B-0001").values().get()
    assert before["length_mm"] == Decimal("88.9")
    browser = client()
    shown = browser.get(f"/jobs/{before['id']}/").context["form"]
    sent = {name: shown[name].value() for name in shown.fields if shown[name].value() not in (None, False)}
    assert browser.post(f"/jobs/{before['id']}/", sent).status_code == 302
    assert Job.objects.filter(reference="B-0001").values().get() == before


def test_cancelling_asks_first_and_a_cancelled_one_can_be_booked_again() -> None:
    send("/jobs/book/", Role.OWNER, **booking())
    made = job("B-0001")
    assert "It can be booked again" in desk(f"/jobs/{made.pk}/cancel/").text
    assert job("B-0001").status == JobStatus.BOOKED
    for _ in range(2):
        send(f"/jobs/{made.pk}/cancel/", Role.OWNER)
    assert job("B-0001").status == JobStatus.CANCELLED
    assert listed() == []
    assert desk("/jobs/?status=cancelled").row(f"{TODAY() + timedelta(days=1)}")["Job"] == "B-0001 cancelled"
    send(f"/jobs/{made.pk}/", Role.OWNER, **booking())
    assert job("B-0001").status == JobStatus.BOOKED


def test_a_job_that_was_closed_meanwhile_stays_as_it_was_closed() -> None:
    send("/jobs/book/", Role.OWNER, **booking())
    made = job("B-0001")
    close("B-0001", "2026-03-02")
    before = Job.objects.filter(pk=made.pk).values().get()
    for path in (f"/jobs/{made.pk}/", f"/jobs/{made.pk}/cancel/"):
        answer = send(path, Role.OWNER, **booking(van="VAN-2"))
        assert "was closed" in said(answer)
    assert Job.objects.filter(pk=made.pk).values().get() == before
    with pytest.raises(bookings.AlreadyClosed):
        bookings.cancel("B-0001")


# The list


def book_some() -> None:
    """Book two jobs on VAN-1 for tomorrow, one on VAN-2 for the day after."""
    send("/jobs/book/", Role.OWNER, **booking())
    send("/jobs/book/", Role.OWNER, **booking(reference="B-0002", customer="K-008", site="North"))
    later = f"{TODAY() + timedelta(days=2)}"
    send("/jobs/book/", Role.OWNER, **booking(reference="B-0003", van="VAN-2", booked_for=later))


def listed(query: str = "", role: Role = Role.OWNER) -> list[str]:
    """Return the references on the list, in order."""
    page = desk(f"/jobs/{query}", role)
    return [row["Job"] for row in page.tables[0]] if page.tables else []


def test_bookings_are_listed_by_day_and_van_with_the_load_of_each() -> None:
    book_some()
    assert listed() == ["B-0001", "B-0002", "B-0003"]
    vans = [row["Van"] for row in desk("/jobs/").tables[0]]
    assert vans[0] == "VAN-1 2 jobs that day, 100 standard minutes"
    assert vans[2] == "VAN-2 1 job that day, 50 standard minutes"


def test_the_list_is_narrowed_by_van_day_reference_and_customer() -> None:
    book_some()
    tomorrow = TODAY() + timedelta(days=1)
    assert listed("?van=VAN-2") == ["B-0003"]
    assert listed(f"?end={tomorrow}") == ["B-0001", "B-0002"]
    assert listed(f"?start={tomorrow + timedelta(days=1)}") == ["B-0003"]
    assert listed("?q=0002") == ["B-0002"]
    assert listed("?q=tram") == ["B-0002"]
    assert listed("?status=cancelled") == []
    swapped = client().get(f"/jobs/?start={tomorrow}&end=2026-01-01")
    assert swapped.status_code == 400
    assert "swap them" in said(swapped)


def test_a_technician_sees_own_bookings_without_a_way_to_change_them() -> None:
    book_some()
    assert listed(role=Role.TECHNICIAN) == ["B-0001", "B-0002"]
    page = desk("/jobs/", Role.TECHNICIAN)
    assert "VAN-2" not in page.text
    assert not [href for href in page.hrefs if href.startswith(("/jobs/book", f"/jobs/{job('B-0001').pk}"))]
    Technician.objects.filter(code="ann").update(van=None)
    assert listed(role=Role.TECHNICIAN) == []


def test_a_storekeeper_sees_work_ahead_but_neither_customers_nor_prices() -> None:
    book_some()
    page = desk("/jobs/", Role.STOREKEEPER)
    assert set(page.tables[0][0]) == {"Day", "Van", "Job", "Work"}
    assert "Quay Bakers" not in page.text
    assert listed("?q=tram", Role.STOREKEEPER) == []


@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.STOREKEEPER, Role.ACCOUNTANT])
def test_only_an_owner_books_changes_and_cancels(role: Role) -> None:
    book_some()
    pk = job("B-0001").pk
    browser: Client = client(role)
    for path in ("/jobs/book/", f"/jobs/{pk}/", f"/jobs/{pk}/cancel/"):
        assert browser.get(path).status_code == 403
        assert browser.post(path, booking(van="VAN-2")).status_code == 403
    assert job("B-0001").van.code == "VAN-1"


def test_the_pages_ask_the_database_as_often_with_many_bookings_as_with_few() -> None:
    charge_overhead("600", "1200")
    book_some()
    browser = client()

    def queries(path: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            assert browser.get(path).status_code == 200
        return len(captured)

    paths = ("/jobs/", "/jobs/book/", f"/jobs/{job('B-0001').pk}/", ESTIMATE)
    few = {path: queries(path) for path in paths}
    for number in range(60):
        site = Site.objects.create(customer=Customer.objects.get(code="K-008"), name=f"Stop {number}")
        book(
            f"B-1{number:03}", site=site, booked_for=TODAY(), damage_type=DamageType.objects.get(code="scuff")
        )
    assert {path: queries(path) for path in paths} == few
