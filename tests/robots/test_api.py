"""Every operation of the API, for each role: odd bodies, queries and addresses never make the server fail.

HYPOTHESIS_PROFILE=thorough sends each field each odd value; by default each sees a share of them.
"""

import json
from copy import deepcopy
from typing import Any
from urllib.parse import quote
from zlib import crc32

import pytest
from django.test import Client

from shop.api.throttling import PerPerson
from shop.models import Person
from tests.robots.api_operations import Operation, operations, with_names
from tests.robots.form_robot import encoded
from tests.robots.odd_values import ODD_TEXTS, json_values
from tests.robots.site_walk import failure
from tests.robots.stored_rows import Stored, Written, disagreements, is_refusal
from tests.shop.api.served_shop import PERSON_OF_ROLE
from tests.thoroughness import examples

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("filled_shop")]

ODD = dict(json_values())
ROUNDS = examples(4, len(ODD))
EXHAUSTIVE = len(ODD) == ROUNDS
# What each kind of field is sent alone, beside sensible values in all others.
ALONE = {
    "date-time": ("a moment of year 1, far east", "a moment of 9999, far west", "an offset of 16 hours"),
    "number": ("zero as a number", "a negative number", "beyond 64 bits as a number", "tiny by exponent"),
    "integer": ("zero as a number", "beyond 64 bits as a number"),
    "string": ("empty", "null", "half a character", "year 9999"),
    "boolean": ("null",),
    "array": ("null", "an empty list", "a list of odd things"),
    "object": ("null", "an empty object"),
}
LEAST_OPERATIONS, LEAST_FIELDS, LEAST_QUERIES = 100, 200, 210


class ApiRobot:
    """Asks as one person, undoing each request, and keeps what was wrong."""

    def __init__(self, role: str, stored: Stored) -> None:
        self.role = role
        self.stored = stored
        self.client = Client(raise_request_exception=False)
        self.client.force_login(Person.objects.get(username=PERSON_OF_ROLE[role]))
        self.wrong: dict[str, str] = {}
        self.sent = 0
        self._checked: set[str] = set()

    def ask(self, of: Operation, address: str, body: Any, what: str) -> int:
        """Send one request; return the status of its answer."""
        self.sent += 1
        data = "" if body is None else json.dumps(body)
        with self.stored.undone() as written:
            answer: Any = self.client.generic(of.method, address, data, "application/json")
            self._judge(of, answer, written, what)
        for table, after in written.after.items():
            if after != self.stored.before(table):
                self.wrong.setdefault(f"{of.label}: refused, but {table} changed", what)
        status: int = answer.status_code
        return status

    def _judge(self, of: Operation, answer: Any, written: Written, what: str) -> None:
        if answer.status_code >= 500:
            self.wrong.setdefault(f"{of.label}: {failure(answer)}", what)
        elif is_refusal(answer) and answer.status_code >= 400:
            written.keep()
        elif written.is_of_books and of.label not in self._checked:
            self._checked.add(of.label)
            if found := disagreements():
                self.wrong.setdefault(f"{of.label}: the books disagree: {found[0]}", what)


@pytest.fixture(autouse=True)
def unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a robot ask as often as it can."""
    monkeypatch.setattr(PerPerson, "allow_request", lambda *_: True)


def test_no_operation_fails_whatever_it_is_sent() -> None:
    known: set[str] = set()
    stored, found, wrong = Stored(), list(operations()), dict[str, str]()
    assert len(found) >= LEAST_OPERATIONS, len(found)
    assert sum(len(of.fields) for of in found) >= LEAST_FIELDS
    assert sum(len(of.query) for of in found) >= LEAST_QUERIES
    accepted: set[str] = set()
    for role in ("owner", "storekeeper", "technician", "accountant"):
        robot = ApiRobot(role, stored)
        for of in found:
            statuses = {
                address: robot.ask(of, address, of.body, "as it should be") for address in of.addresses
            }
            address = min(statuses, key=lambda each: statuses[each])
            if statuses[address] < 300:
                accepted.add(of.label)
            if statuses[address] != 403 and of.label not in known:
                known.add(of.label)
                send_oddly(robot, of, address)
        print(f"{role}: {robot.sent} requests")
        wrong |= {f"{role}: {what}": how for what, how in robot.wrong.items()}
    print(f"{len(found)} operations, {len(known)} asked oddly, {len(accepted)} accepted as they should be")
    print("\n".join(f"{what}\n    by {how}" for what, how in wrong.items()))
    assert not wrong
    # Every operation serves some role: none was left out.
    assert known == {of.label for of in found}
    assert len(accepted) > len(found) // 2


def send_oddly(robot: ApiRobot, of: Operation, address: str) -> None:  # noqa: C901 - a list of ways
    """Send an operation with an odd body, query and address."""
    first = crc32(of.label.encode())
    for number in range(ROUNDS):
        start = first + number * len(ODD) // ROUNDS
        if of.fields:
            body, leaves = deepcopy(of.body), [path for path, kind in of.fields.items() if is_leaf(kind)]
            for place, path in enumerate(leaves):
                put(body, path, odd_at(start + place)[1])
            robot.ask(of, address, body, f"all odd from {odd_at(start)[0]}: {body!r:.300}")
        if of.query:
            query = {name: odd_text(start + place) for place, name in enumerate(of.query)}
            robot.ask(of, f"{address}?{encoded(query)}", of.body, f"odd query {query!r:.300}")
        if "{" in of.path:
            odd = odd_text(start)[:200].encode("utf-8", "surrogatepass")
            names = [part.partition("}")[0] for part in of.path.split("{")[1:]]
            there = with_names(of.path, dict.fromkeys(names, quote(odd, safe="")))
            robot.ask(of, there, of.body, f"odd address {there}")
    for path, kind in of.fields.items():
        for name in ODD if EXHAUSTIVE else ALONE.get(kind, ALONE["string"]):
            body = deepcopy(of.body)
            put(body, path, ODD[name])
            robot.ask(of, address, body, f"{path} {name}")
    for name in of.query:
        for odd_day in ("0001-01-01", "9999-12-31", "\u00b2"):
            robot.ask(of, f"{address}?{encoded({name: odd_day})}", of.body, f"{name}={odd_day}")
    if of.body is not None:
        for name in ("null", "an empty list", "text", "a list of odd things", "an empty object"):
            robot.ask(of, address, ODD[name], f"a body that is {name}")


def is_leaf(kind: str) -> bool:
    """Return whether a field holds a value and no further fields."""
    return kind not in {"array", "object"}


def put(body: Any, path: tuple[Any, ...], value: Any) -> None:
    """Set a field of a body."""
    for step in path[:-1]:
        body = body[step]
    body[path[-1]] = value


def odd_at(number: int) -> tuple[str, Any]:
    """Return an odd value of a body by its number."""
    return list(ODD.items())[number % len(ODD)]


def odd_text(number: int) -> str:
    """Return an odd text by its number."""
    return ODD_TEXTS[number % len(ODD_TEXTS)].text
