"""The whole way by itself, from an empty database and an empty broker.

A worker and a beat forecast, draft and write; a real mail server takes the letters; people approve, pick,
confirm and receive over HTTP on a running site; then the books are checked, and stock and values must be
what the documents say.
"""

import csv
import json
import os
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from decimal import Decimal
from io import StringIO
from typing import Any

import psycopg

from forecasting.outbox.messages import attachments_of
from tests.forecasting.scheduler.killed_workers import killable
from tests.forecasting.scheduler.test_kills import answers
from tests.forecasting.small_fleet import ADDRESSES, SHOP_ADDRESS, SUPPLIER_ADDRESS, VANS
from tests.servers import PROJECT, RedisServer, free_port, mail_server, run_manage, wait_until

MAKE_OWNER = """
from shop.models import Person
from shop.people.tokens import make_token
print(make_token(Person.objects.create(username="olga", role="owner"), "test", 1)[1])
"""
HELD = """
SELECT p.code, c.code, h.quantity / 10000.0 FROM inventory_holding h
JOIN inventory_place p ON p.id = h.place_id JOIN inventory_consumable c ON c.id = h.consumable_id
WHERE p.kind IN ('depot', 'van', 'transit')
"""
VALUE = (
    "SELECT sum((layer->>1)::numeric) FROM inventory_costpool, jsonb_array_elements(state->'layers') AS layer"
)

Stock = dict[tuple[str, str], Decimal]


class Site:
    """A running site, asked by its owner."""

    def __init__(self, port: int, token: str) -> None:
        self._address = f"http://127.0.0.1:{port}/api/v1/"
        self._headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}

    def get(self, path: str) -> Any:
        """Return what a resource holds."""
        return self._ask("GET", path)

    def put(self, path: str, body: Any = None) -> Any:
        """Put a resource and return the answer."""
        return self._ask("PUT", path, json.dumps(body or {}).encode())

    def _ask(self, method: str, path: str, body: bytes | None = None) -> Any:
        request = urllib.request.Request(  # noqa: S310 - our own server
            self._address + path,
            body,
            self._headers,
            method=method,
        )
        try:
            with urllib.request.urlopen(request) as answer:  # noqa: S310
                return json.load(answer)
        except urllib.error.HTTPError as refusal:
            raise AssertionError(f"{method} {path}: {refusal.code} {refusal.read().decode()}") from refusal


@contextmanager
def site(database_url: str, redis_url: str, token: str) -> Iterator[Site]:
    """Run the site as a deployment with workers does."""
    port = free_port()
    served = subprocess.Popen(
        [sys.executable, "manage.py", "serve", f"--port={port}"],
        cwd=PROJECT,
        env={**os.environ, "DATABASE_URL": database_url, "REDIS_URL": redis_url},
        stdout=subprocess.DEVNULL,
    )
    try:
        wait_until(lambda: answers(port), "the site does not answer", 120)
        yield Site(port, token)
    finally:
        served.terminate()
        served.wait()


def test_forecast_drafts_letters_approval_transfer_and_receipt(
    migrated_postgres_url: str,
    redis: RedisServer,
) -> None:
    url = migrated_postgres_url
    with (
        mail_server() as mailbox,
        killable(url, mailbox, redis) as processes,
        psycopg.connect(url, autocommit=True) as database,
    ):

        def stock() -> Stock:
            return {(place, code): quantity for place, code, quantity in database.execute(HELD) if quantity}

        def value() -> Decimal:
            row = database.execute(VALUE).fetchone()
            assert row is not None
            return Decimal(row[0])

        token = run_manage(url, "shell", "--verbosity=0", stdin=MAKE_OWNER).stdout.strip()
        before, worth = stock(), value()
        processes.start("beat")
        processes.start("worker")
        wait_until(lambda: len(mailbox.taken) == len(VANS), "the letters do not come", 300)
        assert {tuple(recipients) for recipients, _ in mailbox.taken} == {
            (ADDRESSES[van], SHOP_ADDRESS) for van in VANS
        }
        listed: dict[tuple[str, str], Decimal] = {}
        for message in mailbox.messages():
            pdf, table = attachments_of(message)
            assert pdf.content.startswith(b"%PDF")
            for row in csv.DictReader(StringIO(table.content.decode(), newline="")):
                listed[row["van"], row["consumable"]] = Decimal(row["quantity"])
        assert listed
        assert stock() == before

        with site(url, redis.url, token) as shop:
            expected = dict(before)
            carry(shop, listed, expected)
            assert stock() == {pair: quantity for pair, quantity in expected.items() if quantity}
            # Carrying stock about moves no value.
            assert value() == worth
            cost = receive(shop, expected)
            assert stock() == {pair: quantity for pair, quantity in expected.items() if quantity}
            assert value() == worth + cost
            wait_until(lambda: len(mailbox.taken) == len(VANS) + 2, "the orders do not come", 120)
        orders = [to for to, _ in mailbox.taken if SUPPLIER_ADDRESS in to]
        assert len(orders) == 2
        assert max(mailbox.copies().values()) == 1
        assert "everything agrees" in run_manage(url, "check_ledger").stdout


def carry(shop: Site, listed: dict[tuple[str, str], Decimal], expected: Stock) -> None:
    """Approve, pick and confirm every restock as its letter lists it; one disc gets lost on the way."""
    restocks = shop.get("restocks/")["results"]
    assert {restock["van"] for restock in restocks} == set(VANS)
    one_lost = False
    for restock in restocks:
        van, depot, path = restock["van"], restock["depot"], f"restocks/{restock['id']}"
        suggested = {line["consumable"]: Decimal(line["suggested"]) for line in restock["lines"]}
        assert {code: quantity for code, quantity in suggested.items() if quantity} == {
            code: quantity for (of, code), quantity in listed.items() if of == van
        }
        shop.put(f"{path}/approval")
        shop.put(f"{path}/pick")
        arrived = {code: quantity for code, quantity in suggested.items() if quantity}
        if not one_lost and arrived:
            arrived[min(arrived)] -= 1
            one_lost = True
        lines = [{"consumable": code, "quantity": f"{quantity:f}"} for code, quantity in arrived.items()]
        confirmed = shop.put(f"{path}/confirmation", {"lines": lines})
        assert confirmed["status"] == "received"
        for code, quantity in arrived.items():
            expected[depot, code] = expected.get((depot, code), Decimal(0)) - suggested[code]
            expected[van, code] = expected.get((van, code), Decimal(0)) + quantity
            if missing := suggested[code] - quantity:
                expected[f"{van}-UNDER-WAY", code] = missing
    assert one_lost


def receive(shop: Site, expected: Stock) -> Decimal:
    """Approve and send every purchase, and receive it whole; return what it cost."""
    cost = Decimal(0)
    purchases = shop.get("purchases/")["results"]
    assert len(purchases) == 2
    for purchase in purchases:
        path = f"purchases/{purchase['number']}"
        shop.put(f"{path}/approval")
        shop.put(f"{path}/sending")
        lines = []
        for line in shop.get(path)["lines"]:
            units, charged = line["packs"] * Decimal(line["pack_units"]), Decimal(line["cost"])
            lines.append({"consumable": line["consumable"], "quantity": f"{units:f}", "cost": f"{charged:f}"})
            place = purchase["deliver_to"], line["consumable"]
            expected[place] = expected.get(place, Decimal(0)) + units
            cost += charged
        moment = datetime.now(UTC).isoformat()
        shop.put(f"{path}/receipts/R-{purchase['number']}", {"occurred_at": moment, "lines": lines})
        assert shop.get(path)["status"] == "received"
    return cost
