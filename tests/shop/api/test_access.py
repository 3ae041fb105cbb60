"""Who may do what: the whole table of routes, methods and roles, and what is another van's.

A route that is missing in ROUTES fails the first test: nothing is served that nobody thought about. A route
that serves technicians something named in its address must say in OTHERS how ben's is named, or in
OF_NO_VAN why it is nobody's own; ann is then refused it.
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

OWNER = {"owner"}
EVERYONE = {"technician", "storekeeper", "owner", "accountant"}
# Whoever has not signed in, too.
ANYONE = EVERYONE | {"nobody"}
VAN_AND_STOCK = {"technician", "storekeeper", "owner"}
STOCK = {"storekeeper", "owner"}
STOCK_READERS = {"storekeeper", "owner", "accountant"}
OFFICE = {"owner", "accountant"}
JOB_READERS = {"technician", "owner", "accountant"}

# route: {method: the roles it serves}; "admin/" stands for all that is under it.
ROUTES: dict[str, dict[str, set[str]]] = {
    "": {"GET": EVERYONE},
    "sign-in/": {"GET": ANYONE, "POST": ANYONE},
    "sign-out/": {"POST": ANYONE},
    # The page and its parts hold no facts, so that a phone may keep them; the bundle does.
    "phone/": {"GET": ANYONE},
    "phone/worker.js": {"GET": ANYONE},
    "phone/manifest.webmanifest": {"GET": ANYONE},
    "phone/files/<str:version>/<str:name>": {"GET": ANYONE},
    "phone/session/": {"GET": ANYONE},
    "phone/bundle/": {"GET": {"technician"}},
    "phone/standing-close/": {"GET": {"technician"}},
    "phone/photos/<str:photo_id>/": {"GET": {"technician", "owner"}, "PUT": {"technician"}},
    "admin/": {"GET": OWNER, "POST": OWNER},
    # people
    "store/": {"GET": STOCK | {"accountant"}},
    "store/items/<str:place>/<path:consumable>": {
        "GET": STOCK | {"accountant"},
        "POST": STOCK,
    },
    "store/receive/": {"GET": STOCK, "POST": STOCK},
    "store/move/": {"GET": STOCK, "POST": STOCK},
    "store/scrap/": {"GET": STOCK, "POST": STOCK},
    "store/count/": {"GET": STOCK, "POST": STOCK},
    "store/differences/": {"GET": STOCK},
    "store/differences/<int:pk>/": {"GET": STOCK, "POST": STOCK},
    "store/suppliers/": {"GET": STOCK, "POST": STOCK},
    "store/suppliers/<path:code>/": {"GET": STOCK, "POST": STOCK},
    "store/labels/": {"GET": STOCK},
    "store/documents/": {"GET": STOCK},
    "store/documents/<str:kind>/<path:client_id>": {"GET": STOCK, "POST": STOCK},
    # owner's desk
    "owner/margins/": {"GET": OFFICE},
    "owner/margins/chart.svg": {"GET": OFFICE},
    "owner/changes/": {"GET": OFFICE},
    "owner/changes/chart.svg": {"GET": OFFICE},
    "owner/jobs/": {"GET": OFFICE},
    "owner/jobs/<int:pk>/": {"GET": OFFICE},
    "owner/losses/": {"GET": OWNER},
    "owner/consumption/": {"GET": OWNER},
    "owner/missing/": {"GET": OWNER},
    "owner/missing/chart.svg": {"GET": OWNER},
    "owner/missing/counts/": {"GET": OWNER},
    "owner/questions/": {"GET": OWNER},
    "owner/questions/<int:pk>/": {"GET": OWNER, "POST": OWNER},
    "owner/rates/": {"GET": OWNER},
    "owner/rates/labour/": {"GET": OWNER, "POST": OWNER},
    "owner/rates/overhead/": {"GET": OWNER, "POST": OWNER},
    "owner/settings/": {"GET": OWNER, "POST": OWNER},
    # accountant's desk
    "accounts/": {"GET": OFFICE},
    "accounts/lock/": {"GET": OFFICE, "POST": OFFICE},
    "accounts/reopen/": {"GET": OFFICE, "POST": OFFICE},
    "accounts/reconciliation/": {"GET": OFFICE},
    "accounts/movements/": {"GET": OFFICE},
    "accounts/adjustments/": {"GET": OFFICE},
    "accounts/stock/": {"GET": OFFICE},
    "accounts/provisional/": {"GET": OFFICE},
    "accounts/late/": {"GET": OFFICE},
    "accounts/refused/": {"GET": OFFICE},
    "accounts/refused/<int:pk>/": {"GET": OFFICE, "POST": OFFICE},
    "accounts/exports/": {"GET": OFFICE},
    "accounts/exports/<str:name>.csv": {"GET": OFFICE},
    "people/": {"GET": OWNER},
    "people/add/": {"GET": OWNER, "POST": OWNER},
    "people/<int:pk>/": {"GET": OWNER},
    "people/<int:pk>/role/": {"GET": OWNER, "POST": OWNER},
    "people/<int:pk>/link/": {"POST": OWNER},
    "people/<int:pk>/take-back/": {"GET": OWNER, "POST": OWNER},
    "people/<int:pk>/deactivate/": {"GET": OWNER, "POST": OWNER},
    "people/<int:pk>/sign-out/": {"GET": OWNER, "POST": OWNER},
    "people/<int:pk>/reactivate/": {"POST": OWNER},
    "people/trail/": {"GET": OWNER},
    "people/me/": {"GET": EVERYONE},
    "people/me/password/": {"GET": EVERYONE, "POST": EVERYONE},
    "people/me/lengths/": {"POST": EVERYONE},
    "people/me/sessions/": {"GET": EVERYONE},
    "people/me/sessions/<int:pk>/end/": {"POST": EVERYONE},
    "people/me/sign-out-everywhere/": {"GET": EVERYONE, "POST": EVERYONE},
    "people/me/tokens/": {"GET": EVERYONE, "POST": EVERYONE},
    "people/me/tokens/<str:digest>/revoke/": {"GET": EVERYONE, "POST": EVERYONE},
    "people/join/<uidb64>/<token>/": {"GET": ANYONE, "POST": ANYONE},
    "people/forgotten/": {"GET": ANYONE, "POST": ANYONE},
    "people/forgotten/sent/": {"GET": ANYONE},
    "people/reset/<uidb64>/<token>/": {"GET": ANYONE, "POST": ANYONE},
    # estimates and bookings
    "jobs/": {"GET": VAN_AND_STOCK},
    "jobs/estimate/": {"GET": {"technician", "owner"}},
    "jobs/book/": {"GET": OWNER, "POST": OWNER},
    "jobs/<int:pk>/": {"GET": OWNER, "POST": OWNER},
    "jobs/<int:pk>/cancel/": {"GET": OWNER, "POST": OWNER},
    "api/v1/estimates/": {"GET": {"technician", "owner"}},
    # letters and periodic work
    "letters/": {"GET": STOCK},
    "letters/settings/": {"GET": STOCK, "POST": STOCK},
    "letters/<int:pk>/": {"GET": STOCK},
    "letters/<int:pk>/again/": {"GET": STOCK, "POST": STOCK},
    "letters/<int:pk>/source/": {"GET": STOCK},
    "letters/<int:pk>/attachments/<int:number>/": {"GET": STOCK},
    "work/": {"GET": STOCK},
    # burn forecasts
    "burn/": {"GET": EVERYONE},
    "burn/forecast/": {"POST": STOCK},
    "burn/chart/<int:pk>/": {"GET": EVERYONE},
    "burn/<str:place>/<path:consumable>/": {"GET": EVERYONE},
    "api/v1/forecasts/": {"GET": EVERYONE},
    # the look back
    "lookback/": {"GET": VAN_AND_STOCK},
    "lookback/chart/<str:van>/<path:consumable>/": {"GET": VAN_AND_STOCK},
    "lookback/<str:van>/<path:consumable>/": {"GET": VAN_AND_STOCK},
    "api/v1/lookback/": {"GET": VAN_AND_STOCK},
    # restocks
    "restocks/": {"GET": EVERYONE},
    "restocks/draft/": {"POST": STOCK},
    "restocks/settings/": {"GET": STOCK, "POST": STOCK},
    "restocks/settings/<int:pk>/": {"GET": STOCK, "POST": STOCK},
    "restocks/<int:pk>/": {"GET": EVERYONE},
    "restocks/again/": {"POST": STOCK},
    "restocks/<int:pk>/change/": {"POST": STOCK},
    "restocks/<int:pk>/undo-changes/": {"POST": STOCK},
    "restocks/<int:pk>/again/": {"GET": STOCK, "POST": STOCK},
    "restocks/<int:pk>/take-back/": {"POST": STOCK},
    "restocks/<int:pk>/cancel/": {"GET": STOCK, "POST": STOCK},
    "restocks/<int:pk>/pick/": {"GET": STOCK, "POST": STOCK},
    "restocks/<int:pk>/confirm/": {"GET": VAN_AND_STOCK, "POST": VAN_AND_STOCK},
    "restocks/<int:pk>/differences/": {"GET": STOCK, "POST": STOCK},
    "restocks/<int:pk>/pick-list.pdf": {"GET": EVERYONE},
    "restocks/<int:pk>/pick-list.csv": {"GET": EVERYONE},
    "api/v1/restocks/": {"GET": EVERYONE},
    "api/v1/restocks/<int:pk>": {"GET": EVERYONE},
    "api/v1/restocks/<int:pk>/changes": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/restocks/<int:pk>/renewal": {"PUT": STOCK},
    "api/v1/restocks/<int:pk>/approval": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/restocks/<int:pk>/pick": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/restocks/<int:pk>/confirmation": {"PUT": VAN_AND_STOCK, "DELETE": STOCK},
    "api/v1/restocks/<int:pk>/cancellation": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/restocks/<int:pk>/differences": {"PUT": STOCK},
    # purchases
    "purchases/": {"GET": STOCK_READERS},
    "purchases/draft/": {"POST": STOCK},
    "purchases/begin/": {"POST": STOCK},
    "purchases/left-out/": {"GET": STOCK},
    "purchases/terms/": {"GET": STOCK, "POST": STOCK},
    "purchases/terms/<int:pk>/": {"GET": STOCK, "POST": STOCK},
    "purchases/terms/<int:pk>/packs/<int:pack>/": {"GET": STOCK, "POST": STOCK},
    "purchases/<int:pk>/": {"GET": STOCK_READERS},
    "purchases/<int:pk>/change/": {"POST": STOCK},
    "purchases/<int:pk>/step/": {"POST": STOCK},
    "purchases/<int:pk>/send/": {"GET": STOCK, "POST": STOCK},
    "purchases/<int:pk>/cancel/": {"GET": STOCK, "POST": STOCK},
    "purchases/<int:pk>/receive/": {"GET": STOCK, "POST": STOCK},
    "purchases/<int:pk>/receipts/": {"POST": STOCK},
    "purchases/<int:pk>/order.pdf": {"GET": STOCK_READERS},
    "purchases/<int:pk>/order.csv": {"GET": STOCK_READERS},
    "api/v1/purchases/": {"GET": STOCK_READERS},
    "api/v1/purchases/<str:number>": {"GET": STOCK_READERS},
    "api/v1/purchases/<str:number>/changes": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/purchases/<str:number>/approval": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/purchases/<str:number>/sending": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/purchases/<str:number>/cancellation": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/purchases/<str:number>/rest": {"PUT": STOCK, "DELETE": STOCK},
    "api/v1/purchases/<str:number>/receipts/<path:client_id>": {"PUT": STOCK, "DELETE": STOCK},
    # API
    "api/v1/consumables/": {"GET": EVERYONE},
    "api/v1/consumables/<path:code>": {"GET": EVERYONE, "PUT": OWNER},
    "api/v1/places/": {"GET": EVERYONE},
    "api/v1/places/<path:code>": {"GET": EVERYONE, "PUT": OWNER},
    "api/v1/vans/": {"GET": EVERYONE},
    "api/v1/vans/<path:code>": {"GET": EVERYONE, "PUT": OWNER},
    "api/v1/suppliers/": {"GET": STOCK_READERS},
    "api/v1/suppliers/<path:code>": {"GET": STOCK_READERS, "PUT": OWNER},
    "api/v1/customers/": {"GET": OFFICE},
    "api/v1/customers/<path:code>": {"GET": OFFICE, "PUT": OWNER},
    "api/v1/technicians/": {"GET": STOCK_READERS},
    "api/v1/technicians/<path:code>": {"GET": STOCK_READERS, "PUT": OWNER},
    "api/v1/damage-types/": {"GET": EVERYONE},
    "api/v1/damage-types/<path:code>": {"GET": EVERYONE, "PUT": OWNER},
    "api/v1/glass-types/": {"GET": EVERYONE},
    "api/v1/glass-types/<path:code>": {"GET": EVERYONE, "PUT": OWNER},
    "api/v1/job-types/": {"GET": EVERYONE},
    "api/v1/job-types/<path:code>": {"GET": EVERYONE, "PUT": OWNER},
    "api/v1/packs/": {"GET": STOCK_READERS},
    "api/v1/packs/<str:supplier>/<str:consumable>/<path:name>": {"GET": STOCK_READERS, "PUT": OWNER},
    "api/v1/sites/": {"GET": OFFICE},
    "api/v1/sites/<str:customer>/<path:name>": {"GET": OFFICE, "PUT": OWNER},
    "api/v1/jobs/": {"GET": JOB_READERS},
    "api/v1/jobs/<path:reference>": {"GET": JOB_READERS, "PUT": OWNER},
    "api/v1/stock/": {"GET": EVERYONE},
    "api/v1/stock/on/<str:day>/": {"GET": STOCK_READERS},
    "api/v1/stock/low/": {"GET": EVERYONE},
    "api/v1/findings/": {"GET": JOB_READERS},
    "api/v1/findings/<int:number>/answer": {"PUT": {"technician", "owner"}},
    "api/v1/refused-documents/": {"GET": VAN_AND_STOCK},
    "api/v1/margins/": {"GET": OFFICE},
    "api/v1/variances/materials/": {"GET": OFFICE},
    "api/v1/variances/labour/": {"GET": OFFICE},
    "api/v1/costing/": {"GET": OFFICE},
    "api/v1/periods/": {"GET": OFFICE},
    "api/<anything:rest>": dict.fromkeys(("GET", "POST", "PUT", "PATCH", "DELETE"), ANYONE),
    "api/v1/closes/": {"GET": {"technician", "owner", "accountant"}, "POST": {"technician", "owner"}},
    "api/v1/uses/": {"GET": {"technician", "owner", "accountant"}},
    "api/v1/receipts/": {"GET": STOCK | {"accountant"}},
    "api/v1/transfers/": {"GET": EVERYONE},
    "api/v1/returns/": {"GET": EVERYONE},
    "api/v1/counts/": {"GET": EVERYONE},
    "api/v1/scraps/": {"GET": STOCK | {"accountant"}},
    "api/v1/corrections/": {"GET": EVERYONE},
    "api/v1/": {"GET": EVERYONE},
    "api/v1/schema/": {"GET": EVERYONE},
    "api/v1/closes/<path:client_id>": {
        "GET": {"technician", "owner", "accountant"},
        "PUT": {"technician", "owner"},
    },
    "api/v1/uses/<path:client_id>": {
        "GET": {"technician", "owner", "accountant"},
        "PUT": {"technician", "owner"},
    },
    "api/v1/receipts/<path:client_id>": {"GET": STOCK | {"accountant"}, "PUT": STOCK},
    "api/v1/transfers/<path:client_id>": {"GET": EVERYONE, "PUT": VAN_AND_STOCK},
    "api/v1/returns/<path:client_id>": {"GET": EVERYONE, "PUT": VAN_AND_STOCK},
    "api/v1/counts/<path:client_id>": {"GET": EVERYONE, "PUT": VAN_AND_STOCK},
    "api/v1/scraps/<path:client_id>": {"GET": STOCK | {"accountant"}, "PUT": STOCK},
    "api/v1/corrections/<path:client_id>": {"GET": EVERYONE, "PUT": VAN_AND_STOCK},
}

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
    "phone/standing-close/": "of a job that may be added to; tests/shop/phone/test_second_close.py",
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
