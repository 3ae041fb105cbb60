"""Technicians see no costs: in no page, list, file or letter, by no name and as no figure.

Each cost of this shop, and each multiple of one, is recognised by its digits. What a customer
pays is no cost.
"""

import json
import re
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from io import BytesIO
from typing import Any

import pytest
from django.urls import resolve
from django.utils import timezone
from pypdf import PdfReader

from forecasting.burn.runs import LEVELS
from forecasting.models import Restock, RestockLine, RestockStatus
from forecasting.outbox.weekly_list import compose
from inventory.models import Consumable
from tests.forecasting import restock_shop
from tests.forecasting.restock_shop import draft, forecast
from tests.inventory.small_shop import receive
from tests.shop.api.route_table import ROUTES
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in, stock_body

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

UNIT_COST = Decimal("7.7713")
FIGURES = {
    figure
    for number in range(1, 400)
    for figure in (f"{number * UNIT_COST:.2f}", f"{(number * UNIT_COST).normalize():f}")
}
# Of pages that differ in what they are about only.
MOST_OF_ONE_ROUTE = 4
NUMBER = re.compile(r"\d+\.\d+")
NAMES = re.compile(r"cost|worth|value|freight|margin|contribution|overhead", re.IGNORECASE)
WORD = re.compile(r"\b(?:worth|costs?|margins?|freight)\b", re.IGNORECASE)
# What a page may say of costs: nothing of how high they are.
MAY_SAY = {"no costs"}
# The same for everybody: what each address of the API says, and the phone's own files.
DESCRIPTION, FILES = "api/v1/", "phone/files/<str:version>/<str:name>"
# Secret links and a page's own files hold no facts; nothing else may go unread.
UNREAD = {
    "people/join/<uidb64>/<token>/",
    "people/reset/<uidb64>/<token>/",
    "phone/photos/<str:photo_id>/",
    "people/me/tokens/<str:digest>/revoke/",
    "api/<anything:rest>",
    "people/forgotten/",
    "people/forgotten/sent/",
    "sign-in/",
}


@pytest.fixture(autouse=True)
def _served(monkeypatch: pytest.MonkeyPatch) -> None:
    """Start with a closed job of ann's, a restock in transit to her van, and costs that are easy to tell."""
    open_served_shop()
    Consumable.objects.update(standard_cost=UNIT_COST)
    receive("R-late", 2, ("disc-p400", "100", "777.13"), ("compound", "1000", "7771.3"))
    dear = [{"consumable": "disc-p400", "quantity": 40, "minutes": "600"}]
    assert put("ann", "close", "C-1", close_body(uses=dear)).status_code == 201
    for kind, body in {
        "use": {"job": "J-1", "lines": [{"consumable": "compound", "quantity": "12.5"}]},
        "transfer": stock_body(source="depot", destination="van-a"),
        "count": stock_body(14, lines=[{"place": "van-a", "consumable": "disc-p400", "quantity": 5}]),
        "return": stock_body(
            15,
            place="van-a",
            lines=[{"consumable": "disc-p400", "quantity": 1}],
            returns_kind="close",
            returns_id="C-1",
        ),
    }.items():
        assert put("ann", kind, f"{kind}-1", body).status_code == 201, kind
    assert put("ann", "close", "C-k", close_body("J-k")).status_code == 201
    undone = {"corrects_kind": "close", "corrects_id": "C-k", "reason": "by mistake"}
    put("ann", "correction", "K-1", {"occurred_at": timezone.now().isoformat(), **undone})
    # The levels that pages show, as a forecast of the shop's own has them.
    monkeypatch.setattr(restock_shop, "LEVELS", LEVELS)
    restock = draft(forecast({("van-a", "disc-p400"): (60,) * len(LEVELS)}))["van-a"]
    RestockLine.objects.filter(restock=restock).update(unit_cost=UNIT_COST, approved=20, picked=20)
    Restock.objects.filter(pk=restock.pk).update(status=RestockStatus.UNDER_WAY)
    assert RestockLine.objects.filter(restock=restock).exists()


def test_no_answer_to_a_technician_tells_a_cost() -> None:
    ann = signed_in("ann")
    routes_read: set[str] = set()
    leaks: list[str] = []
    waiting = [f"/{route}" for route in sorted(_served_to_technicians()) if "<" not in route]
    waiting += [f"{path}?damage_type=scratch" for path in ("/api/v1/estimates/", "/jobs/estimate/")]
    waiting.append("/phone/standing-close/?job=J-1")
    asked: Counter[str] = Counter()
    seen = set(waiting)
    while waiting:
        path = waiting.pop(0)
        route = resolve(path.partition("?")[0]).route
        asked[route] += 1
        if asked[route] > MOST_OF_ONE_ROUTE:
            continue
        answer = ann.get(path)
        if answer.status_code != 200:
            continue
        routes_read.add(route)
        if route not in {DESCRIPTION, FILES}:
            leaks += [f"{path}: {leak}" for leak in leaks_of(answer)]
        new = [found for found in _leads_to(path, answer) if found not in seen]
        seen.update(new)
        waiting += new
    assert not leaks, "\n".join(leaks)
    assert _served_to_technicians() - routes_read - UNREAD == set()


def test_what_a_technician_says_is_answered_without_costs() -> None:
    restock = Restock.objects.get(van__code="van-a")
    ann = signed_in("ann")
    path = f"/api/v1/restocks/{restock.pk}/confirmation"
    answer = ann.put(path, {}, content_type="application/json")
    assert answer.status_code == 201, answer.content
    assert not list(leaks_of(answer))


def test_a_vans_letter_tells_no_cost() -> None:
    letter = compose(Restock.objects.get(van__code="van-a"), timezone.now())
    parts: list[str | bytes] = [
        letter.subject,
        letter.text,
        letter.html,
        *(part.content for part in letter.attachments),
    ]
    for part in parts:
        text = _text(part) if isinstance(part, bytes) else part
        assert not list(_leaks_in(text))


def test_who_does_the_ordering_and_the_books_still_sees_them() -> None:
    for name in ("sue", "olga", "ada"):
        shown = signed_in(name).get("/api/v1/consumables/disc-p400").json()
        assert Decimal(str(shown["standard_cost"])) == UNIT_COST, name
        assert list(leaks_of(signed_in(name).get("/restocks/"))), name
        assert list(leaks_of(signed_in(name).get("/api/v1/restocks/"))), name


def leaks_of(answer: Any) -> Iterator[str]:
    """Yield what an answer says of costs."""
    content = b"".join(answer.streaming_content) if answer.streaming else answer.content
    if "json" in answer["Content-Type"]:
        yield from _named_costs(json.loads(content))
    yield from _leaks_in(_text(content))


def _leaks_in(text: str) -> Iterator[str]:
    yield from sorted(set(NUMBER.findall(text)) & FIGURES)
    if text.lstrip().startswith(("{", "[")):
        return
    shown = re.sub(r"<(script|style).*?</\1>", "", text, flags=re.DOTALL)
    for said in re.split("[.<>]", shown):
        if WORD.search(said) and not any(word in said for word in MAY_SAY):
            yield " ".join(said.split())


def _text(content: bytes) -> str:
    if content.startswith(b"%PDF"):
        return "\n".join(page.extract_text() for page in PdfReader(BytesIO(content)).pages)
    return content.decode("utf-8", "replace")


def _named_costs(said: object, at: str = "") -> Iterator[str]:
    if isinstance(said, dict):
        for name, value in said.items():
            if NAMES.search(str(name)) and value is not None and not isinstance(value, dict | list):
                yield f"{at}.{name} = {value}"
            yield from _named_costs(value, f"{at}.{name}")
    elif isinstance(said, list):
        for value in said:
            yield from _named_costs(value, f"{at}[]")


def _served_to_technicians() -> set[str]:
    return {
        route
        for route, table in ROUTES.items()
        if "technician" in table.get("GET", ()) and route not in {"api/v1/schema/", "admin/"}
    }


def _leads_to(path: str, answer: Any) -> Iterator[str]:
    """Yield where an answer leads: a page's links, and each row of a list of the API."""
    if answer.streaming:
        return
    if answer["Content-Type"].startswith("text/html"):
        for found in re.findall(r'(?:href|src)="(/[^"#]*)', answer.content.decode()):
            if not found.startswith(("/static/", "/admin/")):
                yield found.replace("&amp;", "&")
    elif path.startswith("/api/v1/") and "json" in answer["Content-Type"]:
        said = answer.json()
        for row in said.get("results", []) if isinstance(said, dict) else []:
            for name in ("id", "code", "reference", "number"):
                if row.get(name):
                    yield f"{path.partition('?')[0]}{row[name]}"
