"""What once answered 500, each by itself: the robots find their kind, these say which they were."""

from decimal import Decimal
from typing import Any

import pytest
from django.test import Client

from forecasting.models import SupplierTerms
from inventory.models import Consumable, Document, Pack, Supplier
from shop.models import Finding, JobCost, Role
from tests.robots.html_forms import PageForms
from tests.shop.api.served_shop import close_body, errors, open_served_shop, put, signed_in, stock_body
from tests.shop.desk_pages import client

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with somebody of each role and some stock."""
    open_served_shop()


def untouched(browser: Client, path: str) -> dict[str, str]:
    """Return what the form of lines of a page sends when nobody touched it."""
    page = PageForms(browser.get(path).content.decode(), path)
    (form,) = (form for form in page.forms if "line-TOTAL_FORMS" in form.fields)
    return next(each for each in form.sends() if ("more", "yes") not in each.added).untouched()


@pytest.mark.parametrize("path", ["receive", "move", "scrap", "count"])
def test_lines_that_nobody_touched_are_left_out(path: str) -> None:
    sue = signed_in("sue")
    answer = sue.post(f"/store/{path}/", untouched(sue, f"/store/{path}/"))
    assert answer.status_code == 400
    assert "Enter at least one line." in answer.content.decode()


def test_a_count_of_some_lines_is_posted_and_the_others_were_not_counted() -> None:
    sue = signed_in("sue")
    sent = untouched(sue, "/store/count/?place=depot") | {"place": "depot", "line-0-quantity": "1000"}
    answer = sue.post("/store/count/", {**sent, "line-1-quantity": "100", "sure": "1"})
    assert answer.status_code == 302, answer.content.decode()
    assert Document.objects.get(kind="count").movements.count() == 0


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01", "1999-12-31"])
def test_documents_of_a_day_outside_the_books_are_refused_with_what_to_write(day: str) -> None:
    answer = signed_in("sue").get("/store/documents/", {"on": day})
    assert answer.status_code == 200
    assert "outside the years 2000 to 2100" in answer.content.decode()


def test_no_lead_time_is_refused_beside_the_terms_as_they_are_kept() -> None:
    maker = Supplier.objects.get(code="maker")
    SupplierTerms.objects.create(supplier=maker, lead_days=7)
    sent = {"lead_days": "0", "least_order_value": "0", "order_cost": "0"}
    answer = signed_in("sue").post(f"/purchases/terms/{maker.pk}/", sent)
    assert answer.status_code == 400
    assert "give 1 or more" in answer.content.decode()
    assert SupplierTerms.objects.get().lead_days == 7


@pytest.mark.parametrize(
    ("path", "body", "field"),
    [
        ("technicians/ann", {"van": ""}, "van"),
        ("jobs/J-9", {"van": ""}, "van"),
        ("jobs/J-9", {"technician": ""}, "technician"),
        ("jobs/J-9", {"job_type": ""}, "job_type"),
        ("jobs/J-9", {"callback_of": ""}, "callback_of"),
    ],
)
def test_an_empty_code_names_nothing(path: str, body: dict[str, Any], field: str) -> None:
    answer = signed_in("olga").put(f"/api/v1/{path}", body, content_type="application/json")
    assert answer.status_code == 400
    assert (field, None) in errors(answer)


@pytest.mark.parametrize("offset", ["+16:00", "-23:59", "+14:00", "-01:30:15"])
def test_a_moment_may_have_any_offset(offset: str) -> None:
    moment = f"2026-01-13T08:00:00{offset}"
    answer = put("olga", "scrap", "S-1", stock_body(place="depot", reason="x", occurred_at=moment))
    assert answer.status_code == 201
    again = put("olga", "scrap", "S-1", stock_body(place="depot", reason="x", occurred_at=moment))
    assert again.status_code == 200


@pytest.mark.parametrize("moment", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-12:00"])
def test_a_moment_outside_the_years_of_the_books_is_refused(moment: str) -> None:
    answer = put("olga", "scrap", "S-1", stock_body(place="depot", reason="x", occurred_at=moment))
    assert errors(answer) == {("occurred_at", None)}


def entered(browser: Client, path: str, **fields: str) -> Any:
    """Send the form of lines of a page with one line filled in."""
    named = {name.replace("_0_", "-0-"): value for name, value in fields.items()}
    return browser.post(path, {**untouched(browser, path), "line-0-consumable": "disc-p400", **named})


@pytest.mark.parametrize(
    ("quantity", "cost"), [("1", "1e30"), ("1", "1e999999"), (f"0.{'0' * 25}1", "100"), ("9" * 39, "1")]
)
def test_amounts_that_no_document_takes_are_refused_before_anything_is_asked(
    quantity: str, cost: str
) -> None:
    said = {"supplier": "maker", "place": "depot", "line_0_quantity": quantity, "line_0_cost": cost}
    answer = entered(signed_in("sue"), "/store/receive/", **said)
    assert answer.status_code == 400


def test_a_number_of_lines_with_thousands_of_digits_shows_the_form_again() -> None:
    answer = signed_in("sue").post("/store/receive/", {"more": "yes", "line-TOTAL_FORMS": "9" * 5000})
    assert answer.status_code < 500


@pytest.mark.parametrize("packs", ["99999999999999999999", "9223372036854775807", "2147483648"])
def test_a_lower_price_for_more_packs_than_can_be_ordered_is_refused(packs: str) -> None:
    maker = Supplier.objects.get(code="maker")
    disc = Consumable.objects.get(code="disc-p400")
    pack = Pack.objects.create(supplier=maker, consumable=disc, name="box", stock_units=Decimal(25))
    sent = {"price": "60", "least_packs": "1", "discount": "all", "from-0": packs, "price-0": "55"}
    answer = signed_in("sue").post(f"/purchases/terms/{maker.pk}/packs/{pack.pk}/", sent)
    assert answer.status_code == 400
    assert "100000" in answer.content.decode()


@pytest.mark.parametrize("place", ["0001-01-01T00:00:00+14:00~0~1", "2026-01-13T08:00:00+16:00~0~1"])
def test_a_place_in_the_trail_that_is_none_shows_its_start(place: str) -> None:
    assert signed_in("olga").get("/people/trail/", {"after": place}).status_code == 200


@pytest.mark.parametrize("back", ["no such thing", "0001-01-01T00:00", "\x01", "//elsewhere.example.org"])
def test_an_answer_goes_back_to_no_place_that_is_none(back: str) -> None:
    put("olga", "close", "C-1", close_body())
    row = JobCost.objects.get(jobs=1)
    asked = Finding.objects.create(job=row.job, document=row.document, code="x", message="Why?")
    answer = client(Role.OWNER).post(f"/owner/questions/{asked.pk}/", {"text": "It rained.", "back": back})
    assert answer.status_code == 302
    assert "elsewhere" not in answer["Location"]
