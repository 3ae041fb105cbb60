"""What each role sees first, how people sign in and out, and what a browser may load."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from html.parser import HTMLParser
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from inventory.models import Books, Consumable, ConsumableKind, Holding, LowLevel, Place
from shop.common.amounts import money, percent, quantity
from shop.common.pagination import ROWS_PER_PAGE
from shop.models import (
    Customer,
    DamageType,
    GlassType,
    Job,
    JobStatus,
    JobType,
    Person,
    Shop,
    Site,
    Technician,
    Van,
    in_shop_zone,
    the_shop,
)
from shop.profitability.margins import GroupMargin
from shop.web.margin_bars import bar_for
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in

pytestmark = pytest.mark.django_db

VOID = {"meta", "link", "input", "br", "line", "rect", "circle", "path"}


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


class Page(HTMLParser):
    """The elements of a page, its text, and what is wrong with how it is built."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.open: list[str] = []
        self.feed(html)
        assert not self.open, f"not closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text = f"{self.text} {' '.join(data.split())}".strip()

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Return the attributes of each element of a name."""
        return [attributes for name, attributes in self.elements if name == tag]


def page(name: str, path: str = "/") -> Page:
    """Return a page as a person sees it."""
    answer = signed_in(name).get(path)
    assert answer.status_code == 200
    return Page(answer.content.decode())


def book(reference: str, van: str = "van-a", days: int = 0, **fields: Any) -> Job:
    """Book a job for so many days from today."""
    return Job.objects.create(
        reference=reference,
        van=Van.objects.get(place__code=van),
        job_type=JobType.objects.get(code="scratch-small"),
        damage_type=DamageType.objects.get(code="scratch"),
        glass=GlassType.objects.get(code="tempered"),
        booked_for=in_shop_zone(timezone.now(), the_shop()).date() + timedelta(days=days),
        **fields,
    )


def test_an_owner_and_an_accountant_see_the_margin_by_damage_type() -> None:
    put("olga", "close", "C-1", close_body())
    put("olga", "close", "C-2", close_body("J-2", damage_type="graffiti", price="1234.50"))
    for name in ("olga", "ada"):
        text = page(name).text
        assert "Margin by damage type" in text
        assert "graffiti" in text
        # By hand: price less two discs at 2.50 (no rates are set up).
        assert "1,229.50" in text
        assert "API description" in text
    assert "/admin/" in {link["href"] for link in page("olga").all("a")}
    assert "/admin/" not in {link["href"] for link in page("ada").all("a")}


def test_margins_show_a_loss_and_the_currency_of_the_shop() -> None:
    Shop.objects.update(currency="JPY")
    Books.objects.update(minor_unit_digits=0)
    put("olga", "close", "C-1", close_body(price="0", outcome="abandoned"))
    shown = page("olga").text
    assert "in JPY" in shown
    assert "\N{MINUS SIGN}5 " in shown


def test_before_the_first_close_the_margin_page_says_so() -> None:
    assert "No job is closed yet" in page("olga").text


def test_a_storekeeper_sees_stock_by_place_and_what_is_low() -> None:
    LowLevel.objects.create(
        place=Place.objects.get(code="van-b"),
        consumable=Consumable.objects.get(code="disc-p400"),
        quantity=Decimal("60"),
    )
    text = page("sue").text
    assert "van-b disc-p400 50 60" in text
    assert "depot Compound compound 1,000 ml" in text
    assert "van-b Disc disc-p400 low 50 each" in text
    assert "Margin" not in text


def test_a_technician_sees_the_own_van_and_todays_jobs_only() -> None:
    customer = Customer.objects.create(code="c-1", name="Harbour & <b>Sons</b>")
    site = Site.objects.create(customer=customer, name="Front", address="Quay 1")
    GlassType.objects.filter(code="tempered").update(caution="Do not overheat")
    ben = Technician.objects.get(code="ben")
    book("TODAY-1", site=site, in_primary_view=True, length_mm=Decimal("120.5"), existing_damage="chip left")
    book("LATE-1", days=-3)
    hidden_jobs: dict[str, dict[str, Any]] = {
        "TOMORROW-1": {"days": 1},
        "OTHER-VAN-1": {"van": "van-b"},
        "OTHERS-1": {"technician": ben},
        "GONE-1": {"status": JobStatus.CANCELLED},
    }
    for reference, fields in hidden_jobs.items():
        book(reference, **fields)
    seen = page("ann")
    for shown in ("TODAY-1", "LATE-1", "still open", "120.5 mm", "chip left", "Do not overheat", "Quay 1"):
        assert shown in seen.text
    for hidden in ("TOMORROW-1", "OTHER-VAN-1", "OTHERS-1", "GONE-1", "van-b", "depot"):
        assert hidden not in seen.text
    assert "primary viewing area: repair may be forbidden here" in seen.text
    assert "Harbour & <b>Sons</b>" in seen.text
    assert not seen.all("b")
    assert "Disc disc-p400 50 each" in seen.text


@pytest.mark.parametrize(
    "caution",
    ["eyes and ears", "gloves", "wet", "warm to the hand", "protected supply", "primary viewing area"],
)
def test_a_technician_is_reminded_of_the_usual_cautions(caution: str) -> None:
    assert caution in page("ann").text


def test_a_technician_without_a_van_is_told_whom_to_ask() -> None:
    Technician.objects.filter(code="ann").update(van=None)
    assert "Ask an owner" in page("ann").text


def test_a_negative_holding_asks_to_be_counted() -> None:
    put("olga", "scrap", "S-1", _scrap_of_60())
    assert "count it \N{MINUS SIGN}10 each" in page("ann").text


def test_days_and_moments_are_those_of_the_shops_clocks() -> None:
    # One of the two zones, 26 hours apart, always has another day than UTC.
    days: set[Any] = set()
    for zone in ("Pacific/Kiritimati", "Etc/GMT+12"):
        Books.objects.update(time_zone=zone)
        days.add(book(f"J-{len(days)}").booked_for)
        assert f"J-{len(days) - 1} " in page("ann").text
    assert len(days) == 2


def test_long_lists_come_in_pages() -> None:
    _hold(ROWS_PER_PAGE + 5)
    first, second = page("ann"), page("ann", "/?stock=2")
    assert "Page 1 of 2" in first.text
    assert {"rel": "next", "href": "?stock=2"} in first.all("a")
    assert "Page 2 of 2" in second.text
    assert len([cell for cell in first.all("th") if cell["scope"] == "row"]) == ROWS_PER_PAGE
    for path in ("/?stock=99", "/?stock=x", "/?stock=-1"):
        assert "of 2" in page("ann", path).text


def test_what_is_low_comes_in_pages_and_the_queries_stay() -> None:
    def reach(number: int) -> None:
        """Let so many consumables be low in van-a."""
        _hold(number)
        for holding in Holding.objects.filter(consumable__code__startswith="thing-"):
            LowLevel.objects.get_or_create(
                place=holding.place, consumable=holding.consumable, defaults={"quantity": Decimal(2)}
            )

    reach(2)
    client = signed_in("sue")
    before = _queries_of(client)
    reach(ROWS_PER_PAGE + 5)
    assert _queries_of(client) == before
    assert f"van-a thing-{ROWS_PER_PAGE - 1:03} 1 2" in page("sue").text
    assert f"van-a thing-{ROWS_PER_PAGE:03} 1 2" not in page("sue").text
    assert f"van-a thing-{ROWS_PER_PAGE:03} 1 2" in page("sue", "/?low=2").text


@pytest.mark.parametrize("name", ["ann", "sue", "olga"])
def test_the_number_of_queries_does_not_grow(
    name: str, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    def grow(number: int) -> None:
        _hold(3 + 10 * number)
        book(f"B-{number}")
        put("olga", "close", f"C-{number}", close_body(f"J-{number}"))

    grow(0)
    client = signed_in(name)
    before = _queries_of(client)
    for number in (1, 2, 3):
        grow(number)
    with django_assert_num_queries(before):
        client.get("/")


def test_signing_in_and_out() -> None:
    person = Person.objects.get(username="sue")
    person.set_password("a long sentence of sue")
    person.save()
    client = Client(enforce_csrf_checks=True)
    page_ = Page(client.get("/sign-in/?next=/").content.decode())
    token = next(field["value"] for field in page_.all("input") if field["name"] == "csrfmiddlewaretoken")

    def sign_in(password: str, next_: str = "/") -> Any:
        return client.post(
            "/sign-in/",
            {"username": "sue", "password": password, "next": next_, "csrfmiddlewaretoken": token},
        )

    wrong = Page(sign_in("a guess").content.decode())
    assert "alert" in {paragraph.get("role") for paragraph in wrong.all("p")}
    assert sign_in("").status_code == 200
    away = sign_in("a long sentence of sue", "https://elsewhere.example/")
    assert away.headers["Location"] == "/"
    assert client.get("/").status_code == 200
    assert client.post("/sign-out/").status_code == 403
    token = client.cookies["csrftoken"].value
    assert client.post("/sign-out/", {"csrfmiddlewaretoken": token}).headers["Location"] == "/sign-in/"
    assert client.get("/").headers["Location"] == "/sign-in/?next=/"


PHONE = (
    "Mozilla/5.0 (Linux; Android 14) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/130.0 Mobile Safari/537.36"
)


@pytest.mark.parametrize(
    ("name", "headers", "next_", "where"),
    [
        ("ann", {"user-agent": PHONE}, "", "/phone/"),
        ("ann", {"user-agent": PHONE}, "/", "/phone/"),
        ("ann", {"sec-ch-ua-mobile": "?1"}, "", "/phone/"),
        ("ann", {"user-agent": PHONE}, "/people/me/", "/people/me/"),
        ("ann", {"user-agent": "Firefox on a desk"}, "", "/"),
        ("ann", {"user-agent": "Firefox on a desk"}, "/phone/", "/phone/"),
        ("sue", {"user-agent": PHONE}, "", "/"),
    ],
)
def test_a_technicians_day_on_a_phone_starts_with_the_phones_page(
    name: str, headers: dict[str, str], next_: str, where: str
) -> None:
    person = Person.objects.get(username=name)
    person.set_password("a long sentence")
    person.save()
    sent = {"username": name, "password": "a long sentence", "next": next_}
    assert Client().post("/sign-in/", sent, headers=headers).headers["Location"] == where


PAGES: dict[str, Callable[[], Page]] = {
    "sign-in": lambda: Page(Client().get("/sign-in/").content.decode()),
    "margins": lambda: page("olga"),
    "stock": lambda: page("sue"),
    "van": lambda: page("ann"),
    "refusal": lambda: Page(signed_in("ann").get("/admin/login/").content.decode()),
    "nothing": lambda: Page(signed_in("ann").get("/nowhere/").content.decode()),
}


@pytest.mark.parametrize("name", PAGES)
def test_pages_have_landmarks_labels_and_captions_and_nothing_inline(name: str) -> None:
    put("olga", "close", "C-1", close_body())
    seen = PAGES[name]()
    assert seen.all("html") == [{"lang": "en"}]
    assert len(seen.all("main")) == len(seen.all("h1")) == len(seen.all("title")) == 1
    assert seen.all("a")[0]["href"] == "#main"
    assert len(seen.all("caption")) == len(seen.all("table"))
    labelled = {label["for"] for label in seen.all("label")}
    fields = [field for field in seen.all("input") if field["type"] != "hidden"]
    assert {field["id"] for field in fields} == labelled
    assert all("aria-label" in part for part in seen.all("nav"))
    assert not seen.all("script")
    assert not seen.all("style")
    for _, attributes in seen.elements:
        assert not [
            attribute for attribute in attributes if attribute == "style" or attribute.startswith("on")
        ]
    assert all((link["href"] or "").startswith("/static/") for link in seen.all("link"))


@pytest.mark.parametrize("path", ["/", "/sign-in/", "/admin/", "/api/v1/closes/C-1", "/nowhere/"])
def test_every_answer_forbids_what_is_inline_or_from_elsewhere(path: str) -> None:
    answer = signed_in("olga").get(path)
    policy = dict(part.split(" ", 1) for part in answer["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == policy["base-uri"] == policy["frame-ancestors"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
    assert "unsafe" not in answer["Content-Security-Policy"]
    assert answer["X-Content-Type-Options"] == "nosniff"


def test_a_page_of_a_person_is_not_kept_by_the_browser() -> None:
    assert "no-store" in signed_in("ann").get("/")["Cache-Control"]


def test_amounts_read_as_people_write_them() -> None:
    assert quantity(Decimal("1000.0000")) == "1,000"
    assert quantity(Decimal("-12.5000")) == "\N{MINUS SIGN}12.5"
    assert money(Decimal("1234.5"), 2) == "1,234.50"
    assert money(Decimal("-0.5"), 0) == "\N{MINUS SIGN}0"
    assert percent(0.254) == "25%"
    assert percent(-1.5) == "\N{MINUS SIGN}150%"
    assert percent(None) == "\N{EN DASH}"


def test_a_bar_holds_zero_the_target_and_every_interval_but_no_loss_beyond_the_revenue() -> None:
    bar = bar_for([_group(0.31, 0.24, 0.38)], 0.25)
    assert (bar.low, bar.high) == (0.0, 0.4)
    assert bar.position(0.1) == 25.0
    wide = bar_for([_group(-3.0, -9.0, 0.2), _group(None, None, None)], 0.25)
    assert (wide.low, wide.high) == (-1.0, 0.3)
    assert wide.position(-9.0) == 0.0
    assert bar_for([], 0.0).position(0.0) == 0.0


def _group(ratio: float | None, low: float | None, high: float | None) -> GroupMargin:
    zero = Decimal(0)
    return GroupMargin("x", 1, *(zero,) * 8, ratio=ratio, low=low, high=high, shrunk=None, note="")


def _queries_of(client: Client) -> int:
    with CaptureQueriesContext(connection) as queries:
        client.get("/")
    return len(queries)


def _hold(number: int) -> None:
    """Let van-a hold so many further consumables, all of them low."""
    place = Place.objects.get(code="van-a")
    have = Consumable.objects.filter(code__startswith="thing-").count()
    for index in range(have, number):
        thing = Consumable.objects.create(
            code=f"thing-{index:03}", name="Thing", kind=ConsumableKind.MEASURED, stock_unit="ml"
        )
        Holding.objects.create(place=place, consumable=thing, quantity=Decimal(1))


def _scrap_of_60() -> dict[str, Any]:
    return {
        "occurred_at": "2026-01-20T08:00:00Z",
        "place": "van-a",
        "reason": "fire",
        "lines": [{"consumable": "disc-p400", "quantity": 60}],
    }
