"""No query of the daily work walks through a table that grows with the history, on either database.

Every query of a close, a receipt and the phone's bundle is captured and its plan read: each table that grows
has to be entered by the first column of an index, so that work takes as long after ten years as after one.
"""

import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

import pytest
from django.apps import apps
from django.db import connection
from django.test import Client

from inventory import ledger
from inventory.documents import Count, CountedLine
from inventory.ledger.refusals import unresolved
from shop.jobs.close_job import close_job
from shop.models import Job, Person, Role, Technician, Van
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    at,
    charge_overhead,
    closing_of,
    correct,
    give_back,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db

# Tables whose rows come with the work; what is set up stays small.
GROWING = {
    apps.get_model(name)._meta.db_table
    for name in (
        *("inventory.Document", "inventory.Movement", "inventory.MovementValue", "inventory.CountLine"),
        *("inventory.Lot", "inventory.CostAdjustment", "inventory.CostCheckpoint", "inventory.LotCheckpoint"),
        *("inventory.RefusedDocument", "inventory.PeriodChange"),
        *("shop.Job", "shop.JobUse", "shop.JobCost", "shop.Finding", "shop.WaitingUse", "shop.Photo"),
        *("shop.Customer", "shop.Site", "sessions.Session", "admin.LogEntry"),
    )
}
Query = tuple[str, Any]
READS = re.compile(r"^\s*(SELECT|UPDATE|DELETE|\()", re.IGNORECASE)
TABLE = re.compile(
    r'(?:FROM|JOIN|UPDATE)\s+\(?"(\w+)"(?:\s+(?:AS\s+)?"?(?!ON\b|WHERE\b|SET\b|INNER\b|LEFT\b)(\w+)"?)?'
)


def captured(work: Callable[[], object]) -> list[Query]:
    """Return the queries that some work makes, with their parameters."""
    found: list[Query] = []

    def note(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if not many and READS.match(sql):
            found.append((sql, params))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(note):
        work()
    return found


def scans(query: Query) -> Iterator[str]:
    """Yield what a query walks through from end to end, of the tables that grow."""
    yield from (_sqlite_scans if connection.vendor == "sqlite" else _postgresql_scans)(*query)


def _sqlite_scans(sql: str, params: Any) -> Iterator[str]:
    alias_of = {alias or table: table for table, alias in TABLE.findall(sql)}
    with connection.cursor() as cursor:
        cursor.execute(f"EXPLAIN QUERY PLAN {sql}", params)
        steps = [str(row[-1]) for row in cursor.fetchall()]
    # In the order of an index and stopping at the first rows, a scan reads these only.
    if " LIMIT " in sql and not any(step.startswith("USE TEMP B-TREE") for step in steps):
        return
    for step in steps:
        walked = re.match(r"SCAN (\w+)", step)
        table = alias_of.get(walked[1], walked[1]) if walked else ""
        if table in GROWING:
            yield f"{step} ({table})"


def _postgresql_scans(sql: str, params: Any) -> Iterator[str]:
    with connection.cursor() as cursor:
        # With few rows a scan is cheapest; the question here is whether an index can serve. The server takes
        # no statistics by itself (tests.servers), so the plan is the same in every run.
        for way in ("seqscan", "mergejoin", "hashjoin"):
            cursor.execute(f"SET LOCAL enable_{way} = off")
        cursor.execute(f"EXPLAIN (FORMAT JSON) {sql}", params)
        (((top,),),) = cursor.fetchall()
        yield from _walked(top["Plan"], limited=False)


def _walked(node: dict[str, Any], *, limited: bool) -> Iterator[str]:
    limited = limited or node["Node Type"] == "Limit"
    kind, condition = node["Node Type"], node.get("Index Cond", "")
    if kind == "Seq Scan" and node["Relation Name"] in GROWING:
        yield f"Seq Scan of {node['Relation Name']}"
    elif kind in {"Index Scan", "Index Only Scan", "Bitmap Index Scan"}:
        table, column = _first_column(node["Index Name"])
        enters = re.search(rf"\b{column}\b", condition)
        if table in GROWING and not enters and not (limited and not condition):
            yield f"{kind} of {table} by {node['Index Name']}, not by its first column {column}: {condition}"
    for below in node.get("Plans", ()):
        yield from _walked(below, limited=limited)


def _first_column(index: str) -> tuple[str, str]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT t.relname, a.attname FROM pg_index i JOIN pg_class x ON x.oid = i.indexrelid "
            "JOIN pg_class t ON t.oid = i.indrelid "
            "JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = i.indkey[0] WHERE x.relname = %s",
            [index],
        )
        table, column = cursor.fetchone()
        return table, column


@pytest.fixture
def phone() -> Client:
    """Open a shop with some history, and sign in a technician with a van."""
    open_shop()
    pay("40")
    charge_overhead("3000", "6000", "0.5")
    receive("R-0", "2026-03-01", (DISC, "500", "500"), (COMPOUND, "500", "25"), (PAD, "5", "50"))
    for number in range(30):
        uses = used(DISC, "2", "15"), used(COMPOUND, "7"), used(PAD, "0", "20")
        close_job(closing_of(f"J-{number}", f"2026-03-{number % 28 + 2:02}", *uses), now=NOW)
    count("C-0", "2026-04-10", "500")
    ann = Person.objects.create_user("ann", role=Role.TECHNICIAN)
    Technician.objects.filter(code="ann").update(person=ann, van=Van.objects.get(place__code="VAN-1"))
    client = Client()
    client.force_login(ann)
    return client


def count(id_: str, moment: str, found: str) -> None:
    """Count the discs of the depot."""
    lines = (CountedLine("DEPOT", DISC, Decimal(found)),)
    ledger.post(Count(id_, at(moment), lines), now=NOW)


def close_of(job: str, **said: Any) -> dict[str, Any]:
    """Return the body of a close as the phone sends it."""
    use = {"consumable": DISC, "quantity": "2", "minutes": "15"}
    return {
        "job": job,
        "van": "VAN-1",
        "technician": "ann",
        "closed_at": "2026-05-01T12:00:00Z",
        "job_type": "polish",
        "damage_type": "scratch",
        "glass": "tempered",
        "price": "200",
        "labour_minutes": "60",
        "travel_minutes": "30",
        "outcome": "removed",
        "uses": [use, {**use, "consumable": PAD, "quantity": "0"}],
        **said,
    }


def put(phone: Client, path: str, body: dict[str, Any]) -> None:
    answer = phone.put(f"/api/v1/{path}", body, content_type="application/json")
    assert answer.status_code in (200, 201), answer.content


WORK: dict[str, Callable[[Client], object]] = {
    "close from the phone": lambda phone: put(phone, "closes/N-1", close_of("N-1")),
    "callback from the phone": lambda phone: put(phone, "closes/N-2", close_of("N-2", callback_of="J-3")),
    "bundle": lambda phone: phone.get("/phone/bundle/"),
    "close": lambda _: close_job(closing_of("N-3", "2026-05-01", used(DISC, "2", "15")), now=NOW),
    "late close": lambda _: close_job(closing_of("N-4", "2026-03-20", used(PAD, "0", "15")), now=NOW),
    "receipt": lambda _: receive("R-1", "2026-05-02", (DISC, "50", "60"), (PAD, "1", "12")),
    "late receipt": lambda _: receive("R-2", "2026-03-15", (DISC, "50", "60"), (PAD, "1", "12")),
    "count": lambda _: count("C-1", "2026-05-03", "540"),
    "further use": lambda _: use_more("U-1", "J-5", used(DISC, "1", "5")),
    "return": lambda _: give_back("B-1", "2026-05-04", ("close", "close-J-6"), (DISC, "1")),
    "correction of a close": lambda _: correct("X-1", "close", "close-J-7"),
    "correction of a receipt": lambda _: correct("X-2", "receipt", "R-0"),
    "conflict": lambda _: list(unresolved(["R-0", "C-0"])),
}


@pytest.mark.parametrize("name", WORK)
def test_no_query_walks_through_what_grows(phone: Client, name: str) -> None:
    queries = captured(lambda: WORK[name](phone))
    assert queries
    again = captured(lambda: WORK[name](phone)) if name.startswith(("close", "bundle", "receipt")) else []
    found = {f"{scan}\n    in {sql}" for sql, params in queries + again for scan in scans((sql, params))}
    assert not found, "\n".join(sorted(found))


@pytest.mark.parametrize(
    "walked",
    [
        lambda: list(Job.objects.filter(price=5)),
        lambda: list(Job.objects.filter(uses__document__client_id__in=["a", "b"])),
        lambda: Job.objects.filter(note="x").update(note="y"),
    ],
)
def test_a_query_that_walks_is_seen(phone: Client, walked: Callable[[], object]) -> None:
    (query,) = captured(walked)
    assert list(scans(query))
