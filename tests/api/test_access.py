"""Who may do what: the whole table of routes, methods and roles, and what is a technician's own.

A route that is missing in ROUTES fails the first test: nothing is served that nobody thought about.
"""

import base64
from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from inventory.models import Document, Place, PlaceKind
from shop.models import DamageType, GlassType, Job, JobType, Person, Technician, Van
from tests.api.served_shop import (
    BODIES,
    KINDS,
    PATHS,
    PEOPLE,
    close_body,
    get,
    open_served_shop,
    problem,
    put,
    signed_in,
    stock_body,
)

pytestmark = pytest.mark.django_db

OWNER = {"owner"}
EVERYONE = {"technician", "storekeeper", "owner", "accountant"}
VAN_AND_STOCK = {"technician", "storekeeper", "owner"}
STOCK = {"storekeeper", "owner"}

# route: {method: the roles it serves}; "admin/" stands for all that is under it.
ROUTES: dict[str, dict[str, set[str]]] = {
    "": {"GET": EVERYONE},
    "sign-in/": {"GET": EVERYONE, "POST": EVERYONE},
    "sign-out/": {"POST": EVERYONE},
    "admin/": {"GET": OWNER, "POST": OWNER},
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
    "api/v1/corrections/<path:client_id>": {"GET": STOCK | {"accountant"}, "PUT": STOCK},
}
METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}
PERSON_OF_ROLE = {"technician": "ann", "storekeeper": "sue", "owner": "olga", "accountant": "ada"}


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with J-1 closed by ann on van-a and J-b closed by ben on van-b."""
    open_served_shop()
    assert put("ann", "close", "C-1", close_body()).status_code == 201
    assert put("ben", "close", "C-b", close_body("J-b", van="van-b", technician="ben")).status_code == 201


def routes(patterns: list[Any], prefix: str = "") -> Iterator[str]:
    """Yield every route of the site."""
    for pattern in patterns:
        route = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from routes(pattern.url_patterns, route)
        else:
            assert isinstance(pattern, URLPattern)
            yield route


def test_every_route_is_in_the_table_and_the_table_has_no_other() -> None:
    served = {
        "admin/" if route.startswith("admin/") else route for route in routes(get_resolver().url_patterns)
    }
    assert served == set(ROUTES)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_a_role_reads_and_posts_the_kinds_that_the_table_gives_it(role: str, kind: str) -> None:
    table = ROUTES[f"api/v1/{kind}s/<path:client_id>"]
    person = PERSON_OF_ROLE[role]
    answer = put(person, kind, "X-1", BODIES[kind]())
    assert answer.status_code == (201 if role in table["PUT"] else 403), answer.content
    if role not in table["PUT"]:
        problem(answer)
        assert put("olga", kind, "X-1", BODIES[kind]()).status_code == 201
    assert get(person, kind, "X-1").status_code == (200 if role in table["GET"] else 403)
    assert signed_in(person).head(PATHS[kind] + "X-1").status_code == (200 if role in table["GET"] else 403)


@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_a_method_that_the_table_lacks_is_refused(role: str) -> None:
    client = signed_in(PERSON_OF_ROLE[role])
    for kind in KINDS:
        refused = METHODS - {"HEAD", *ROUTES[f"api/v1/{kind}s/<path:client_id>"]}
        assert refused == {"POST", "PATCH", "DELETE", "OPTIONS"}
        for method in refused:
            assert client.generic(method, PATHS[kind] + "C-1").status_code == 405


@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_pages_and_the_schema_serve_the_roles_of_the_table(role: str) -> None:
    client = signed_in(PERSON_OF_ROLE[role])
    for route in ("", "sign-in/", "admin/", "api/v1/schema/"):
        expected = 200 if role in ROUTES[route]["GET"] else 403
        answer = client.get(f"/{route}", follow=True)
        assert answer.status_code == expected, route
    assert client.get("/sign-out/").status_code == 405
    assert client.post("/sign-out/").status_code == 302
    assert client.get("/").headers["Location"].startswith("/sign-in/")


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


def _filled(route: str) -> str:
    """Return a route with something in each of its places."""
    filled = route.replace("<path:object_id>", "1").replace("<id>", "1")
    filled = filled.replace("<int:content_type_id>", "1").replace("<path:object_id>", "1")
    return filled.replace("^(?P<app_label>inventory|shop)/$", "shop/").replace("(?P<url>.*)$", "anything")


def test_without_a_sign_in_the_api_answers_401_and_pages_send_to_it() -> None:
    for path in (*PATHS.values(), "/api/v1/schema/"):
        for method in ("GET", "PUT"):
            answer = Client().generic(method, path + "C-1" * (path != "/api/v1/schema/"))
            assert answer.status_code == 401
            assert answer["WWW-Authenticate"].startswith("Basic")
            problem(answer)
    assert Client().get("/").headers["Location"] == "/sign-in/?next=/"


def test_scripts_sign_in_with_basic_authentication() -> None:
    sue = Person.objects.get(username="sue")
    sue.set_password("a long sentence of sue")
    sue.save()

    def status(password: str) -> int:
        credentials = base64.b64encode(f"sue:{password}".encode()).decode()
        return (
            Client(enforce_csrf_checks=True)
            .put(
                PATHS["count"] + "X-1",
                BODIES["count"](),
                content_type="application/json",
                headers={"Authorization": f"Basic {credentials}"},
            )
            .status_code
        )

    assert status("a guess") == 401
    assert status("a long sentence of sue") == 201
    Person.objects.filter(pk=sue.pk).update(is_active=False)
    assert status("a long sentence of sue") == 401


def test_a_browser_needs_the_csrf_token() -> None:
    client = signed_in("sue", enforce_csrf_checks=True)
    body = BODIES["count"]()
    answer = client.put(PATHS["count"] + "X-1", body, content_type="application/json")
    assert answer.status_code == 403
    assert "CSRF" in problem(answer)["detail"]
    client.get("/")
    token = client.cookies["csrftoken"].value
    answer = client.put(
        PATHS["count"] + "X-1", body, content_type="application/json", headers={"X-CSRFToken": token}
    )
    assert answer.status_code == 201


def test_someone_who_is_no_longer_active_is_signed_out() -> None:
    client = signed_in("olga")
    Person.objects.filter(username="olga").update(is_active=False)
    assert client.get(PATHS["close"] + "C-1").status_code == 401
    assert client.get("/").status_code == 302


# What is a technician's own. ann has van-a; everything here tries to reach van-b or ben's job.
OTHERS: dict[str, tuple[str, dict[str, Any]]] = {
    "the other van in a close": ("close", close_body("J-n", van="van-b")),
    "the other technician in a close": ("close", close_body("J-n", technician="ben")),
    "the depot as the van of a close": ("close", close_body("J-n", van="depot")),
    "closing the other's job again": ("close", close_body("J-b")),
    "further uses of the other's job": ("use", {**BODIES["use"](), "job": "J-b"}),
    "a return of the other's job into the own van": ("return", {**BODIES["return"](), "returns_id": "C-b"}),
    "a return of the own job into the other van": ("return", {**BODIES["return"](), "place": "van-b"}),
    "a return of the own job into the depot": ("return", {**BODIES["return"](), "place": "depot"}),
    "a count of the other van": (
        "count",
        stock_body(lines=[{"place": "van-b", "consumable": "pad", "quantity": 1}]),
    ),
    "a count of the depot": (
        "count",
        stock_body(lines=[{"place": "depot", "consumable": "pad", "quantity": 1}]),
    ),
    "a count of both vans": (
        "count",
        stock_body(lines=[{"place": van, "consumable": "pad", "quantity": 1} for van in ("van-a", "van-b")]),
    ),
    "taking from the other van": ("transfer", stock_body(source="van-b", destination="van-a")),
    "giving to the other van": ("transfer", stock_body(source="van-a", destination="van-b")),
    "from the depot to the other van": ("transfer", stock_body(source="depot", destination="van-b")),
    "a scrap in the own van": ("scrap", stock_body(place="van-a", reason="torn")),
    "a receipt into the own van": ("receipt", {**BODIES["receipt"](), "place": "van-a"}),
    "a correction of the own close": (
        "correction",
        {**BODIES["correction"](), "corrects_kind": "close", "corrects_id": "C-1"},
    ),
    "a correction of the other's close": (
        "correction",
        {**BODIES["correction"](), "corrects_kind": "close", "corrects_id": "C-b"},
    ),
}


@pytest.mark.parametrize("attempt", OTHERS)
def test_a_technician_cannot_touch_another_van_or_job(attempt: str) -> None:
    kind, body = OTHERS[attempt]
    before = Document.objects.count()
    for id_ in ("X-1", "C-1", "C-b"):
        answer = put("ann", kind, id_, body)
        assert answer.status_code == 403, answer.content
        problem(answer)
    assert Document.objects.count() == before
    assert put("olga", kind, "X-1", body).status_code in (201, 400, 409)


@pytest.mark.parametrize("booked", [{"van": "van-b"}, {"van": "van-a", "technician": "ben"}])
def test_a_technician_cannot_close_a_job_that_is_booked_for_another(booked: dict[str, str]) -> None:
    book("J-next", **booked)
    assert put("ann", "close", "C-next", close_body("J-next")).status_code == 403
    assert Job.objects.get(reference="J-next").status == "booked"


@pytest.mark.parametrize("booked", [{"van": "van-a"}, {"van": "van-a", "technician": "ann"}])
def test_a_technician_closes_an_own_booked_job(booked: dict[str, str]) -> None:
    book("J-next", **booked)
    assert put("ann", "close", "C-next", close_body("J-next")).status_code == 201


def test_a_technician_carries_stock_between_depot_and_own_van_and_counts_it() -> None:
    to_van = stock_body(source="depot", destination="van-a")
    back = stock_body(source="van-a", destination="depot")
    assert put("ann", "transfer", "T-1", to_van).status_code == 201
    assert put("ann", "transfer", "T-2", back).status_code == 201
    assert put("ann", "count", "N-1", BODIES["count"]()).status_code == 201


def test_a_technician_reads_own_documents_only() -> None:
    transfers = {"T-a": ("depot", "van-a"), "T-b": ("depot", "van-b")}
    for id_, (source, destination) in transfers.items():
        put("olga", "transfer", id_, stock_body(source=source, destination=destination))
    for van in ("van-a", "van-b"):
        lines = [{"place": van, "consumable": "disc-p400", "quantity": 40}]
        put("olga", "count", f"N-{van[-1]}", stock_body(14, lines=lines))
    for id_, close, van in (("B-a", "C-1", "van-a"), ("B-b", "C-b", "van-b")):
        put("olga", "return", id_, {**BODIES["return"](), "returns_id": close, "place": van})
    put("olga", "use", "U-a", BODIES["use"]())
    put("olga", "use", "U-b", {**BODIES["use"](), "job": "J-b"})
    own = [("close", "C-1"), ("use", "U-a"), ("return", "B-a"), ("transfer", "T-a"), ("count", "N-a")]
    others = [("close", "C-b"), ("use", "U-b"), ("return", "B-b"), ("transfer", "T-b"), ("count", "N-b")]
    assert {get("ann", kind, id_).status_code for kind, id_ in own} == {200}
    assert {get("ann", kind, id_).status_code for kind, id_ in others} == {404}
    assert {get("ben", kind, id_).status_code for kind, id_ in others} == {200}


def test_a_technician_without_a_van_posts_and_reads_nothing() -> None:
    Technician.objects.filter(code="ann").update(van=None)
    for kind in ("close", "use", "return", "count", "transfer"):
        answer = put("ann", kind, "X-1", BODIES[kind]())
        assert answer.status_code == 403
        assert "no van" in problem(answer)["detail"]
    assert get("ann", "close", "C-1").status_code == 404


def test_a_storekeeper_corrects_stock_but_no_job() -> None:
    put("olga", "return", "B-1", BODIES["return"]())
    put("olga", "use", "U-1", BODIES["use"]())
    for kind, id_ in (("close", "C-b"), ("use", "U-1"), ("return", "B-1")):
        body = {**BODIES["correction"](), "corrects_kind": kind, "corrects_id": id_}
        assert put("sue", "correction", f"K-{id_}", body).status_code == 403
        assert put("olga", "correction", f"K-{id_}", body).status_code == 201
        assert get("sue", "correction", f"K-{id_}").status_code == 404
    for kind in ("transfer", "count", "scrap", "receipt"):
        put("sue", kind, "S-1", BODIES[kind]())
        body = {**BODIES["correction"](), "corrects_kind": kind, "corrects_id": "S-1"}
        assert put("sue", "correction", f"K-{kind}", body).status_code == 201
        assert get("sue", "correction", f"K-{kind}").status_code == 200


def test_whoever_made_the_deployment_is_an_owner() -> None:
    Person.objects.create_superuser("root")
    assert put("root", "receipt", "X-1", BODIES["receipt"]()).status_code == 201
    assert signed_in("root").get("/admin/").status_code == 200


def test_a_person_of_each_role_is_in_this_world() -> None:
    assert {str(role) for role in PEOPLE.values()} == EVERYONE


def book(reference: str, van: str, technician: str | None = None) -> None:
    """Book a job for a van and perhaps a technician."""
    Job.objects.create(
        reference=reference,
        van=Van.objects.get(place=Place.objects.get(code=van, kind=PlaceKind.VAN)),
        technician=Technician.objects.get(code=technician) if technician else None,
        job_type=JobType.objects.get(code="scratch-small"),
        damage_type=DamageType.objects.get(code="scratch"),
        glass=GlassType.objects.get(code="tempered"),
    )
