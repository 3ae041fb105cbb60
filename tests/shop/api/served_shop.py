"""A shop with someone in each role, and a short way to ask its server."""

import json
from collections.abc import Callable
from typing import Any

from django.test import Client

from inventory.models import Document
from shop.models import Person, Role, Technician, Van
from tests.inventory.small_shop import day, receive
from tests.shop.job_shop import open_job_shop

# One technician on each van, who may not touch the other's.
PEOPLE = {
    "ann": Role.TECHNICIAN,
    "ben": Role.TECHNICIAN,
    "sue": Role.STOREKEEPER,
    "olga": Role.OWNER,
    "ada": Role.ACCOUNTANT,
}
PERSON_OF_ROLE = {"technician": "ann", "storekeeper": "sue", "owner": "olga", "accountant": "ada"}
KINDS = ("close", "use", "receipt", "transfer", "return", "count", "scrap", "correction")
PATHS = {kind: f"/api/v1/{kind}s/" for kind in KINDS}

Answer = Any


def open_served_shop() -> None:
    """Make the shop, its people, the technicians' vans, and some stock in depot and vans."""
    open_job_shop()
    Technician.objects.create(code="ben")
    for name, role in PEOPLE.items():
        Person.objects.create(username=name, role=role)
    for name, van in (("ann", "van-a"), ("ben", "van-b")):
        technician = Technician.objects.get(code=name)
        technician.person = Person.objects.get(username=name)
        technician.van = Van.objects.get(place__code=van)
        technician.save()
    receive("R-0", 0, ("disc-p400", "100", "250"), ("compound", "1000", "30"))
    for van in ("van-a", "van-b"):
        receive(f"R-{van}", 1, ("disc-p400", "50", "125"), place=van)


def signed_in(name: str, **options: Any) -> Client:
    """Return a browser in which a person has signed in."""
    client = Client(**options)
    client.force_login(Person.objects.get(username=name))
    return client


def put(name: str, kind: str, id_: str, body: Any) -> Answer:
    """Send a body, or bytes as they are, as a person."""
    data = body if isinstance(body, bytes | str) else json.dumps(body)
    return signed_in(name).put(PATHS[kind] + id_, data, content_type="application/json")


def get(name: str, kind: str, id_: str) -> Answer:
    """Ask for a document as a person."""
    return signed_in(name).get(PATHS[kind] + id_)


def close_body(job: str = "J-1", **changes: Any) -> dict[str, Any]:
    """Return a close of ann's van that took two discs."""
    return {
        "job": job,
        "van": "van-a",
        "technician": "ann",
        "closed_at": day(10).isoformat(),
        "job_type": "scratch-small",
        "damage_type": "scratch",
        "glass": "tempered",
        "price": "100.00",
        "labour_minutes": 60,
        "travel_minutes": 30,
        "outcome": "removed",
        "uses": [{"consumable": "disc-p400", "quantity": 2, "minutes": "15"}],
        **changes,
    }


def stock_body(on: int = 12, **fields: Any) -> dict[str, Any]:
    """Return a document that happened on a day, with one line of two discs unless told."""
    return {
        "occurred_at": day(on).isoformat(),
        "lines": [{"consumable": "disc-p400", "quantity": 2}],
        **fields,
    }


def take_back_body(close: str) -> dict[str, Any]:
    """Return a correction that undoes a close."""
    return {
        "occurred_at": day(13).isoformat(),
        "corrects_kind": "close",
        "corrects_id": close,
        "reason": "closed by mistake",
    }


# What each kind of document may say about van-a once J-1 is closed there by C-1.
BODIES: dict[str, Callable[[], dict[str, Any]]] = {
    "close": lambda: close_body("J-2"),
    "use": lambda: {"job": "J-1", "lines": [{"consumable": "compound", "quantity": "12.5"}]},
    "receipt": lambda: stock_body(
        supplier="maker",
        place="depot",
        lines=[{"consumable": "disc-p400", "quantity": 20, "cost": "50.00"}],
        freight="4.50",
    ),
    "transfer": lambda: stock_body(source="depot", destination="van-a"),
    "return": lambda: stock_body(
        place="van-a",
        returns_kind="close",
        returns_id="C-1",
        lines=[{"consumable": "disc-p400", "quantity": 1}],
    ),
    "count": lambda: stock_body(lines=[{"place": "van-a", "consumable": "disc-p400", "quantity": 47}]),
    "scrap": lambda: stock_body(place="depot", reason="torn"),
    "correction": lambda: {
        "occurred_at": day(13).isoformat(),
        "corrects_kind": "receipt",
        "corrects_id": "R-0",
        "reason": "came twice",
    },
}


def posted(kind: str, id_: str) -> Document | None:
    """Return a document of the ledger, or None."""
    return Document.objects.filter(kind=kind, client_id=id_).first()


def problem(answer: Answer) -> dict[str, Any]:
    """Return the problem details of an answer, having checked their frame (RFC 9457)."""
    assert answer["Content-Type"] == "application/problem+json"
    found: dict[str, Any] = json.loads(answer.content)
    assert found["type"] == "about:blank"
    assert found["status"] == answer.status_code
    assert found["title"]
    assert found["detail"]
    return found


def errors(answer: Answer) -> set[tuple[str, int | None]]:
    """Return the field and line of each error of a refusal."""
    return {(error["field"], error["line"]) for error in problem(answer)["errors"]}
