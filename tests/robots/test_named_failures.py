"""What once answered 500, each by itself: the robots find their kind, these say which they were."""

from typing import Any

import pytest
from django.test import Client

from forecasting.models import SupplierTerms
from inventory.models import Document, Supplier
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


@pytest.mark.parametrize("back", ["no such thing", "0001-01-01T00:00", "\x01", "//elsewhere.example.org"])
def test_an_answer_goes_back_to_no_place_that_is_none(back: str) -> None:
    put("olga", "close", "C-1", close_body())
    row = JobCost.objects.get(jobs=1)
    asked = Finding.objects.create(job=row.job, document=row.document, code="x", message="Why?")
    answer = client(Role.OWNER).post(f"/owner/questions/{asked.pk}/", {"text": "It rained.", "back": back})
    assert answer.status_code == 302
    assert "elsewhere" not in answer["Location"]
