"""The page of an estimate: what a repair takes, what it costs, and what to ask for it."""

from decimal import Decimal
from urllib.parse import urlencode

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.models import (
    DamageType,
    JobType,
    Role,
    Shop,
    StandardUse,
)
from tests.shop.desk_pages import client, desk, said
from tests.shop.estimating.test_quote import consumable, work
from tests.shop.web.bookings.booking_shop import ESTIMATE, SCRATCH, open_booking_shop, work_at_cost
from tests.shop.world import DISC

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop() -> None:
    open_booking_shop()


def test_a_form_without_a_question_shows_no_estimate() -> None:
    page = desk(ESTIMATE)
    assert "Price that reaches the target" not in page.text
    assert page.tables == []


def test_an_owner_sees_what_it_takes_what_it_costs_and_what_to_ask() -> None:
    work_at_cost()
    page = desk(f"{ESTIMATE}?{urlencode(SCRATCH)}")
    assert page.row("P400", 1) == {"Grade": "P400", "Discs": "2 2 to 2", "Minutes on it": "15 15 to 15"}
    assert page.row("All labour") == {"Work": "All labour", "Minutes": "60 60 to 60"}
    assert page.row("All", 2)["EUR"] == "64.00 64.00 to 64.00"
    assert "Price that reaches the target: 91.43 EUR" in page.text
    assert "The list price is 180.00." in page.text
    assert "At 180.00 it usually leaves 116.00 (64%)" in page.text
    assert "rests on the latest 20 finished jobs with the same damage, job type and glass" in page.text


def test_a_technician_sees_discs_minutes_and_the_price_but_no_cost_and_no_margin() -> None:
    work_at_cost()
    page = desk(f"{ESTIMATE}?{urlencode(SCRATCH | {'price': '50'})}", Role.TECHNICIAN)
    assert len(page.tables) == 2
    assert page.row("P400", 1)["Discs"] == "2 2 to 2"
    assert "Price that reaches the target: 91.43 EUR" in page.text
    assert "50.00 is below 91.43" in page.text
    for told in ("64.00", "loses money", "usually leaves -", "Materials", "Book this job"):
        assert told not in page.text


def test_the_doubts_and_the_caution_of_the_glass_come_first() -> None:
    work_at_cost()
    query = SCRATCH | {
        "glass": "laminated",
        "depth": "yes",
        "in_primary_view": "on",
        "existing_damage": "A chip",
    }
    page = desk(f"{ESTIMATE}?{urlencode(query)}", Role.TECHNICIAN)
    assert page.text.index("Look at this first") < page.text.index("Price that reaches the target")
    for words in ("A fingernail catches", "licensed practice decide", "A chip", "Heat harms the interlayer."):
        assert words in page.text


def test_an_empty_shop_says_so_and_offers_the_standard() -> None:
    StandardUse.objects.create(
        job_type=JobType.objects.get(code="polish"), consumable_id=consumable(DISC), quantity=Decimal(2)
    )
    page = desk(f"{ESTIMATE}?{urlencode(SCRATCH)}")
    assert "Too few similar jobs were closed so far." in page.text
    assert page.row("P400", 1) == {"Grade": "P400", "Discs": "2", "Minutes on it": "0"}
    assert "choose a job type" in desk(f"{ESTIMATE}?damage_type=scratch").text


def test_a_shop_without_damage_types_says_what_to_do() -> None:
    DamageType.objects.all().delete()
    assert "No damage type is set up yet" in desk(ESTIMATE).text


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"damage_type": "unheard"}, "Select a valid choice"),
        ({"damage_type": ""}, "This field is required"),
        (SCRATCH | {"length": "-1"}, "greater than or equal to 0"),
        (SCRATCH | {"length": "a lot"}, "Enter a number"),
        (SCRATCH | {"length": "1e400"}, "Ensure"),
        (SCRATCH | {"depth": "perhaps"}, "Select a valid choice"),
        (SCRATCH | {"price": "NaN"}, "Enter a number"),
    ],
)
def test_what_cannot_be_is_said_beside_its_field(query: dict[str, str], words: str) -> None:
    answer = client().get(ESTIMATE, query)
    assert answer.status_code == 400
    assert words in said(answer)
    assert "Price that reaches the target" not in said(answer)


def test_lengths_are_read_in_the_unit_that_the_address_names() -> None:
    work(20, length_mm=Decimal(254))
    Shop.objects.update(length_unit="in")
    for length, unit, is_longer in (("10.1", "in", True), ("10", "in", False), ("254", "mm", False)):
        query = urlencode({"damage_type": "scratch", "length": length, "unit": unit})
        assert ("No similar job was longer" in desk(f"{ESTIMATE}?{query}").text) is is_longer
    assert "Length in inches" in desk(ESTIMATE).text
    assert "longer than 10.00 in" in desk(f"{ESTIMATE}?damage_type=scratch&length=11").text


def test_looking_stores_nothing() -> None:
    work_at_cost()
    browser = client()
    with CaptureQueriesContext(connection) as captured:
        assert browser.get(ESTIMATE, SCRATCH).status_code == 200
    writing = ("INSERT", "UPDATE", "DELETE")
    assert [query for query in captured if query["sql"].startswith(writing)] == []
