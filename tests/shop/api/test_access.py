"""Who may do what: the whole table of routes, methods and roles, and what is another van's.

A route that is missing in route_table.py fails the first test, so none is served by accident. A route that
serves
technicians something named in its address must say in OTHERS how ben's is named, or in OF_NO_VAN why
it belongs to nobody; ann is then refused it.
"""

import re
from collections.abc import Callable, Iterator
from copy import deepcopy
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from forecasting.models import BurnForecast
from shop.models import Finding, JobCost
from tests.forecasting.burn_shop import stored_forecast
from tests.forecasting.restock_shop import restock_of
from tests.shop.api.route_table import ROUTES
from tests.shop.api.served_shop import (
    PERSON_OF_ROLE,
    close_body,
    open_served_shop,
    problem,
    put,
    signed_in,
    stock_body,
    take_back_body,
)

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

# What ben's is called in the address of a route that serves technicians. Each names something that exists.
OTHERS: dict[str, Callable[[], dict[str, object]]] = {
    "api/v1/closes/<path:client_id>": lambda: {"client_id": "C-b"},
    "api/v1/uses/<path:client_id>": lambda: {"client_id": "U-b"},
    "api/v1/transfers/<path:client_id>": lambda: {"client_id": "T-b"},
    "api/v1/returns/<path:client_id>": lambda: {"client_id": "B-b"},
    "api/v1/counts/<path:client_id>": lambda: {"client_id": "N-b"},
    "api/v1/corrections/<path:client_id>": lambda: {"client_id": "K-b"},
    "api/v1/jobs/<path:reference>": lambda: {"reference": "J-b"},
    "api/v1/places/<path:code>": lambda: {"code": "van-b"},
    "api/v1/vans/<path:code>": lambda: {"code": "van-b"},
    "api/v1/findings/<int:number>/answer": lambda: {"number": finding_of("J-b")},
    "burn/chart/<int:pk>/": lambda: {"pk": forecast_of("van-b").pk},
    "burn/<str:place>/<path:consumable>/": lambda: {
        "place": forecast_of("van-b").place.code,
        "consumable": "disc-p400",
    },
    **{
        route: lambda: {"van": "van-b", "consumable": "disc-p400"}
        for route in (
            "lookback/chart/<str:van>/<path:consumable>/",
            "lookback/<str:van>/<path:consumable>/",
        )
    },
    **{
        route: lambda: {"pk": restock_of("van-b").pk}
        for route in (
            "restocks/<int:pk>/",
            "restocks/<int:pk>/confirm/",
            "restocks/<int:pk>/pick-list.pdf",
            "restocks/<int:pk>/pick-list.csv",
            "api/v1/restocks/<int:pk>",
            "api/v1/restocks/<int:pk>/confirmation",
        )
    },
}
# Routes that serve technicians something that no van owns, with the reason.
OF_NO_VAN: dict[str, str] = {
    "api/v1/consumables/<path:code>": "the catalogue",
    "api/v1/damage-types/<path:code>": "the catalogue",
    "api/v1/glass-types/<path:code>": "the catalogue",
    "api/v1/job-types/<path:code>": "the catalogue",
    "phone/files/<str:version>/<str:name>": "parts of the page, the same for everybody",
    "phone/photos/<str:photo_id>/": "of the job that it shows; tests/shop/phone/test_photo_views.py",
    "people/me/sessions/<int:pk>/end/": "a person's own; tests/shop/people/test_sessions.py",
    "people/me/tokens/<str:digest>/revoke/": "a person's own; tests/shop/people/test_tokens.py",
    "people/join/<uidb64>/<token>/": "a secret link; tests/shop/people/test_onboarding_views.py",
    "people/reset/<uidb64>/<token>/": "a secret link; tests/shop/people/test_onboarding_views.py",
    "api/<anything:rest>": "answers 404 to all",
}
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
REFUSED = {403, 404}


def finding_of(job: str) -> int:
    """Return the number of a question about a job."""
    row = JobCost.objects.get(job__reference=job, jobs=1)
    return Finding.objects.create(job=row.job, document=row.document, code="x", message="Why?").pk


def forecast_of(van: str) -> BurnForecast:
    """Return the latest forecast of what a van burns."""
    return stored_forecast(van, "disc-p400")


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with J-1 closed by ann on van-a and J-b closed by ben on van-b, and more documents of ben's."""
    open_served_shop()
    assert put("ann", "close", "C-1", close_body()).status_code == 201
    assert put("ben", "close", "C-b", close_body("J-b", van="van-b", technician="ben")).status_code == 201
    lines = [{"place": "van-b", "consumable": "disc-p400", "quantity": 40}]
    one = [{"consumable": "disc-p400", "quantity": 1}]
    put("ben", "use", "U-b", {"job": "J-b", "lines": one})
    put("ben", "transfer", "T-b", stock_body(source="depot", destination="van-b"))
    put("ben", "count", "N-b", stock_body(14, lines=lines))
    undone = {"returns_kind": "close", "returns_id": "C-b"}
    put("ben", "return", "B-b", stock_body(15, place="van-b", lines=one, **undone))
    put("ben", "close", "C-k", close_body("J-k", van="van-b", technician="ben"))
    put("ben", "correction", "K-b", take_back_body("C-k"))


def routes(patterns: list[Any], prefix: str = "") -> Iterator[str]:
    """Yield every route of the site."""
    for pattern in patterns:
        route = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from routes(pattern.url_patterns, route)
        else:
            assert isinstance(pattern, URLPattern)
            yield route


def address(route: str, **named: object) -> str:
    """Return the address of a route; what is not named is something that does not exist."""

    def value(found: re.Match[str]) -> str:
        converter, name = found[1] or "str:", found[2]
        return str(named.get(name, {"int:": "987654", "day:": "2026-01-31"}.get(converter, "nothing")))

    return "/" + re.sub(r"<(\w+:)?(\w+)>", value, route)


def ask(who: Client, method: str, path: str) -> Any:
    """Ask in a copy of somebody's browser, with nothing in the body; whatever it changes is undone."""
    client = Client(raise_request_exception=False)
    client.cookies = deepcopy(who.cookies)
    with transaction.atomic():
        answer = client.generic(method, path, "{}" if path.startswith("/api/") else "", "application/json")
        transaction.set_rollback(True)
    return answer


def is_sent_to_sign_in(answer: Any) -> bool:
    """Return whether an answer sends to the sign-in page and back."""
    sent_to: str = answer.headers.get("Location", "")
    return answer.status_code == 302 and sent_to.startswith("/sign-in/?next=")


def test_every_route_is_in_the_table_and_the_table_has_no_other() -> None:
    served = {
        "admin/" if route.startswith("admin/") else route for route in routes(get_resolver().url_patterns)
    }
    assert served == set(ROUTES)


@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_each_route_serves_the_roles_of_the_table_and_no_other(role: str) -> None:
    wrong = []
    browser = signed_in(PERSON_OF_ROLE[role])
    for route, table in ROUTES.items():
        if route == "admin/":
            continue  # sends to sign-in whom it does not serve; tested below, page by page
        for method in METHODS:
            answer = ask(browser, method, address(route))
            status = answer.status_code
            if role in table.get(method, ()):
                right = status not in {401, 403, 405} and status < 500 and not is_sent_to_sign_in(answer)
            elif method in table:
                right = status == 403
            else:
                right = status in {403, 405}
            if not right:
                wrong.append((route, method, status))
    assert not wrong


def test_without_a_sign_in_the_api_answers_401_and_pages_send_to_it() -> None:
    wrong = []
    for route, table in ROUTES.items():
        for method, roles in table.items():
            answer = ask(Client(), method, address(route))
            if "nobody" in roles:
                right = answer.status_code not in {401, 403, 405} and not is_sent_to_sign_in(answer)
            elif route.startswith("api/") and route != "api/v1/":
                right = answer.status_code == 401 and answer["WWW-Authenticate"].startswith("Bearer")
                problem(answer)
            elif route == "admin/":
                right = answer.headers["Location"].startswith("/admin/login/?next=")
            else:
                right = is_sent_to_sign_in(answer)
            if not right:
                wrong.append((route, method, answer.status_code))
    assert not wrong


def test_each_route_that_serves_technicians_says_what_is_anothers() -> None:
    serving = {route for route, table in ROUTES.items() for roles in table.values() if "technician" in roles}
    named = {route for route in serving if "<" in route}
    assert named == set(OTHERS) | set(OF_NO_VAN)
    assert not set(OTHERS) & set(OF_NO_VAN)


@pytest.mark.parametrize("route", OTHERS)
def test_a_technician_is_refused_what_is_another_vans(route: str) -> None:
    path = address(route, **OTHERS[route]())
    for method, roles in ROUTES[route].items():
        if "technician" not in roles:
            continue
        answer = ask(signed_in("ann"), method, path)
        # Where nothing was said there is nothing to refuse yet: tests of its own send whole bodies.
        assert answer.status_code in REFUSED or (method == "PUT" and answer.status_code == 400), method
        own = ask(signed_in("ben"), method, path)
        assert own.status_code not in REFUSED, f"{method}: ben is refused what OTHERS says is his"


@pytest.mark.parametrize("name", ["ann", "sue", "ada", None])
def test_nothing_under_admin_serves_anyone_but_an_owner(name: str | None) -> None:
    client = signed_in(name) if name else Client()
    under_admin = [route for route in routes(get_resolver().url_patterns) if route.startswith("admin/")]
    assert len(under_admin) > 100
    for route in under_admin:
        for method in ("GET", "POST"):
            answer = client.generic(method, "/" + _filled(route))
            sent_to = answer.headers.get("Location", "")
            if route == "admin/login/":
                assert answer.status_code == 403 if name else sent_to.startswith("/sign-in/")
            elif route == "admin/logout/":
                assert sent_to == "/admin/"
            else:
                assert sent_to.startswith("/admin/login/?next="), route


def test_an_owner_is_served_the_admin() -> None:
    assert signed_in("olga").get("/admin/").status_code == 200


def _filled(route: str) -> str:
    """Return an admin's route with something in each of its places."""
    filled = route.replace("<path:object_id>", "1").replace("<id>", "1")
    filled = filled.replace("<int:content_type_id>", "1")
    filled = re.sub(r"\^\(\?P<app_label>[a-z|]+\)/\$", "shop/", filled)
    return filled.replace("(?P<url>.*)$", "anything")
