"""Ways in that are tried on every site: forged forms, hostile addresses, markup, links that lead away."""

import re
from typing import Any
from urllib.parse import quote

import pytest
from django.contrib.staticfiles import finders
from django.core import mail
from django.core.exceptions import ValidationError
from django.test import Client

from inventory.models import Consumable, Place, Supplier
from shop.models import Customer, Job, JobType, Person, Shop, Technician
from tests.shop.api.route_table import ROUTES
from tests.shop.api.served_shop import close_body, open_served_shop, problem, put, signed_in
from tests.shop.api.test_access import address, ask

pytestmark = pytest.mark.django_db
MARKUP = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
HOSTILE = (
    "%00",
    "%FF%FE",
    "a" * 3000,
    "..%2F..%2F..%2Fetc%2Fpasswd",
    "%0d%0aX-Bad:%201",
    "9" * 40,
    quote(MARKUP, safe=""),
)
# Dates and numbers that no calendar and no database has, and text that no name may hold.
HOSTILE_QUERIES = ("\0", "9" * 40, "-1", "0001-01-01", "9999-12-31", "NaN", MARKUP, "a" * 5000)
PARAMETERS = (
    *("page", "q", "kind", "who", "day", "after", "role", "state", "start", "end", "from", "until", "sort"),
    *("by", "group", "period", "van", "place", "consumable", "month", "theme", "stock", "jobs", "supplier"),
    *("search", "ordering", "page_size", "length", "unit", "job_type", "damage_type", "glass", "next"),
)
ELSEWHERE = (
    "https://evil.example.net/",
    "//evil.example.net/",
    "///evil.example.net",
    "/\\evil.example.net",
    "\\\\evil.example.net",
    "javascript:alert(1)",
    "https:evil.example.net",
    "http://testserver@evil.example.net/",
    "\t//evil.example.net",
)


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a job that ann closed."""
    open_served_shop()
    assert put("ann", "close", "C-1", close_body()).status_code == 201


def holds_markup(answer: Any) -> bool:
    """Return whether a page, or a picture that can hold scripts, holds the markup as markup."""
    kind = answer.headers.get("Content-Type", "")
    if answer.streaming or not kind.startswith(("text/html", "image/svg")):
        return False
    return b"<script>alert" in answer.content or b"<img src=x" in answer.content


def test_no_form_and_no_write_is_taken_from_another_site() -> None:
    browser = signed_in("olga", enforce_csrf_checks=True, raise_request_exception=False)
    form = "application/x-www-form-urlencoded"
    taken = set()
    for route, table in ROUTES.items():
        if route in {"admin/", "api/<anything:rest>"}:
            continue  # Django's own, and nothing
        kind = "application/json" if route.startswith("api/") else form
        for method in set(table) - {"GET"}:
            status = browser.generic(method, address(route), "", kind).status_code
            if status != 403:
                taken.add((route, method, status))
    assert not taken
    answer = Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "olga", "password": "x"})
    assert answer.status_code == 403


def test_no_address_however_hostile_breaks_a_page_or_comes_back_as_markup() -> None:
    wrong = []
    browser = signed_in("olga")
    for route in ROUTES:
        names = re.findall(r"<(?:\w+:)?(\w+)>", route)
        for hostile in HOSTILE if names else ():
            answer = ask(browser, "GET", address(route, **dict.fromkeys(names, hostile)))
            if answer.status_code >= 500 or "X-Bad" in answer.headers or holds_markup(answer):
                wrong.append((route, hostile[:20], answer.status_code))
    assert not wrong


def test_no_query_however_hostile_breaks_a_page_or_comes_back_as_markup() -> None:
    wrong = []
    browser = signed_in("olga")
    for route, table in ROUTES.items():
        if "GET" not in table or route == "admin/":
            continue
        for hostile in HOSTILE_QUERIES:
            query = "&".join(f"{name}={quote(hostile)}" for name in PARAMETERS)
            answer = ask(browser, "GET", f"{address(route)}?{query}")
            if answer.status_code >= 500 or holds_markup(answer):
                wrong.append((route, hostile[:20], answer.status_code))
    assert not wrong


@pytest.mark.parametrize("name", ["olga", "ann"])
def test_markup_in_names_and_notes_is_shown_as_it_is_typed(name: str) -> None:
    Shop.objects.update(name=MARKUP)
    for model in (Consumable, Place, Supplier):
        model.objects.update(**({"name": MARKUP} if hasattr(model, "name") else {}))
    JobType.objects.update(name=MARKUP)
    Technician.objects.update(name=MARKUP)
    Person.objects.update(first_name=MARKUP)
    Customer.objects.create(code="K-1", name=MARKUP)
    Job.objects.update(note=MARKUP, existing_damage=MARKUP)
    browser = signed_in(name)
    pages = [address(route) for route, table in ROUTES.items() if "GET" in table and "<" not in route]
    pages += [
        f"/owner/jobs/{Job.objects.get().pk}/",
        f"/people/{Person.objects.get(username='ann').pk}/",
        "/store/items/depot/disc-p400",
        "/admin/shop/job/",
        "/admin/shop/customer/",
    ]
    shown = 0
    for page in pages:
        answer = ask(browser, "GET", page)
        assert answer.status_code < 500, page
        assert not holds_markup(answer), page
        shown += not answer.streaming and b"&lt;script&gt;alert" in answer.content
    assert shown > 10


@pytest.mark.parametrize("leading_away", ELSEWHERE)
def test_signing_in_leads_nowhere_else(leading_away: str) -> None:
    olga = Person.objects.get(username="olga")
    olga.set_password("a long sentence of olga")
    olga.save()
    form = {"username": "olga", "password": "a long sentence of olga", "next": leading_away}
    for where in ("/sign-in/", f"/sign-in/?next={quote(leading_away)}"):
        assert Client().post(where, form).headers["Location"] == "/"
    sent_on = Client().get(f"/admin/login/?next={quote(leading_away)}").headers["Location"]
    assert sent_on.startswith("/sign-in/?next=")


def test_no_name_writes_a_header_of_a_letter() -> None:
    injected = "Our shop\r\nBcc: everybody@example.net"
    with pytest.raises(ValidationError, match="control character"):
        Shop(pk=1, name=injected).full_clean()
    Person.objects.filter(username="olga").update(first_name="O\r\nBcc: everybody@example.net\r\n\r\nHello")
    nina = {"username": "nina", "email": "nina@example.org", "role": "accountant"}
    signed_in("olga").post("/people/add/", nina)
    for email in ("x@example.org\nBcc: y@example.org", "x@example.org, y@example.org"):
        signed_in("olga").post("/people/add/", {**nina, "username": "nino", "email": email})
    assert [letter.recipients() for letter in mail.outbox] == [["nina@example.org"]]
    head = mail.outbox[0].message().as_bytes().split(b"\n\n")[0]
    assert b"Bcc" not in head


@pytest.mark.parametrize(
    "body", [b"[" * 100_000, b'{"a":' * 100_000, b"\xff\xfe{}", b'{"job": "\\ud800"}', b"\0"]
)
def test_no_body_however_deep_or_broken_breaks_the_api(body: bytes) -> None:
    for kind in ("close", "receipt", "count"):
        answer = put("olga", kind, "X-1", body)
        assert answer.status_code == 400
        problem(answer)


@pytest.mark.parametrize(
    "path", ["../settings.py", "..%2Fsettings.py", "%2e%2e/settings.py", "shop/../../settings.py"]
)
def test_no_path_leads_out_of_the_files_that_are_served(path: str) -> None:
    for place in ("/static/", "/phone/files/1/", "/phone/photos/"):
        answer = signed_in("olga").get(place + path)
        assert answer.status_code in {400, 404}
    assert finders.find("shop/style.css")


@pytest.mark.parametrize(
    "path",
    ["/purchases/?supplier=a%00b", "/store/suppliers/a%00/", "/jobs/?a%00b=1", "/api/v1/jobs/?van=%00"],
)
def test_a_null_character_in_an_address_is_refused(path: str) -> None:
    answer = signed_in("olga").get(path)
    assert answer.status_code == 400
    if path.startswith("/api/"):
        assert "null character" in problem(answer)["detail"]


def test_a_null_character_in_a_form_is_refused() -> None:
    assert signed_in("sue").post("/purchases/begin/", {"supplier": "a\0"}).status_code == 400
