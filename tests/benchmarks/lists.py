"""Every list of the site and the API over a hundred thousand rows, beside a bare page of the same table.

Run as `python -m tests.benchmarks.lists [--rows N] [--only WORD] [--database URL] | [--tiny]`. Asks for the
first, the last, a narrowed and a sorted page, as someone whom the list serves, and prints seconds (the better
of two), queries and the size of the largest. Bare is `SELECT ... LIMIT 50` with a `COUNT(*)`. `--database`
measures a database that is filled already, or fills an empty one and leaves it so. A route of
tests/shop/api/route_table.py that names no single thing and is neither among LISTS nor NO_LIST stops it: a
forgotten list is noticed. `--tiny` asks for a few lists on SQLite; tests/shop/web/test_lists.py asks for
nearly all.
"""

import argparse
import logging
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.servers import PostgresMissingError, migrated, migrated_sqlite_copy, postgres_server
from tests.shop.api.route_table import ROUTES

OWNER, STORE, ACCOUNTS, TECHNICIAN = "olga", "sue", "ada", "ann"
SLOW_SECONDS = 1.0
LONG_BYTES = 200_000


@dataclass(frozen=True, slots=True)
class Look:
    """How a list is looked at: by whom, the table behind it, queries that narrow and sort, its address.

    `page` is the parameter of the page; empty for a list that is all on one page, or turns by a cursor.
    """

    table: str
    who: str = OWNER
    narrowed: str = ""
    in_order: str = ""
    named: tuple[tuple[str, str], ...] = ()
    page: str = "page"


def _api(table: str, narrowed: str, sorted_by: str, who: str = OWNER) -> Look:
    return Look(table, who, narrowed, f"sort=-{sorted_by}")


DOCUMENT = "inventory_document"
VAN_ITEM = (("place", "van-0000"), ("consumable", "item-0000"))
LISTS: dict[str, Look] = {
    "": Look("inventory_holding", STORE, page="stock"),
    "people/": Look("shop_person", OWNER, "q=person-0001"),
    "people/trail/": Look(DOCUMENT, OWNER, "who=sue", page=""),
    "people/me/sessions/": Look("shop_device", OWNER, page=""),
    "people/me/tokens/": Look("shop_apitoken", OWNER, page=""),
    "people/add/": Look("shop_technician", OWNER, page=""),
    "people/<int:pk>/": Look("shop_labourrate", OWNER, named=(("pk", "1"),), page=""),
    "store/": Look("inventory_holding", STORE, "q=item-0001&only=low", "sort=least"),
    "store/items/<str:place>/<path:consumable>": Look("inventory_movement", STORE, named=VAN_ITEM),
    "store/receive/": Look("inventory_consumable", STORE, page=""),
    "store/move/": Look("inventory_consumable", STORE, page=""),
    "store/scrap/": Look("inventory_consumable", STORE, page=""),
    "store/count/": Look("inventory_consumable", STORE, "place=van-0000", page=""),
    "store/differences/": Look("inventory_countline", STORE, "place=van-0001&show=all"),
    "store/suppliers/": Look("inventory_supplier", STORE, "q=supplier-0001"),
    "store/suppliers/<path:code>/": Look("inventory_pack", STORE, named=(("code", "supplier-000000"),)),
    "store/labels/": Look("inventory_consumable", STORE),
    "store/documents/": Look(DOCUMENT, STORE, "kind=count"),
    "owner/margins/": Look("shop_jobcost", OWNER, "by=customer", "by=customer&sort=margin"),
    "owner/changes/": Look("shop_jobcost", OWNER, "by=customer"),
    "owner/jobs/": Look("shop_jobcost", OWNER, "losing=on", "sort=margin"),
    "owner/losses/": Look("shop_jobcost", OWNER, "by=damage_type"),
    "owner/consumption/": Look("shop_jobuse", OWNER, "grade=item-0001", "sort=name"),
    "owner/missing/": Look("inventory_countline", OWNER),
    "owner/missing/counts/": Look("inventory_countline", OWNER),
    "owner/questions/": Look("shop_finding", OWNER, "show=all"),
    "owner/rates/": Look("shop_labourrate", OWNER, "technician=technician-0001", page="labour"),
    "owner/rates/labour/": Look("shop_labourrate", OWNER, page=""),
    "accounts/": Look("inventory_periodchange", ACCOUNTS),
    "accounts/reconciliation/": Look("inventory_movement", ACCOUNTS, "period=this+month"),
    "accounts/movements/": Look("inventory_movement", ACCOUNTS, "period=all+time&consumable=item-0001"),
    "accounts/adjustments/": Look("inventory_costadjustment", ACCOUNTS, "period=all+time"),
    "accounts/stock/": Look("inventory_movement", ACCOUNTS, "period=all+time"),
    "accounts/provisional/": Look("inventory_movementvalue", ACCOUNTS, "period=all+time"),
    "accounts/late/": Look(DOCUMENT, ACCOUNTS, "period=all+time"),
    "accounts/refused/": Look("inventory_refuseddocument", ACCOUNTS, "show=all"),
    "accounts/exports/": Look("shop_jobcost", ACCOUNTS, page=""),
    "jobs/": Look("shop_job", OWNER),
    "jobs/book/": Look("shop_site", OWNER, page=""),
    "jobs/estimate/": Look("shop_jobtype", OWNER, page=""),
    "phone/bundle/": Look("shop_job", TECHNICIAN, page=""),
    "letters/": Look("forecasting_letter", STORE, "state=failed"),
    "letters/settings/": Look("shop_van", STORE),
    "work/": Look("forecasting_periodwork", STORE),
    "burn/": Look("forecasting_burnforecast", STORE, "van=van-0001"),
    "lookback/": Look("inventory_holding", STORE, "van=van-0001", "van=van-0001&sort=used"),
    "restocks/": Look("forecasting_restock", STORE, "status=differences"),
    "restocks/settings/": Look("inventory_consumable", STORE),
    "restocks/<int:pk>/": Look("forecasting_restockline", STORE, named=(("pk", "2"),), page=""),
    "purchases/": Look("forecasting_purchase", STORE, "status=overdue"),
    "purchases/left-out/": Look("forecasting_purchaseleftout", STORE),
    "purchases/terms/": Look("inventory_supplier", STORE),
    "purchases/terms/<int:pk>/": Look("inventory_pack", STORE, named=(("pk", "1"),)),
    "purchases/<int:pk>/": Look("inventory_pack", STORE, named=(("pk", "1"),), page=""),
    "purchases/<int:pk>/receive/": Look("inventory_consumable", STORE, named=(("pk", "1"),), page=""),
    "api/v1/forecasts/": _api("forecasting_burnforecast", "place=van-0001", "consumable"),
    "api/v1/lookback/": Look("inventory_holding", OWNER, "van=van-0001"),
    "api/v1/restocks/": _api("forecasting_restock", "status=draft", "period"),
    "api/v1/purchases/": _api("forecasting_purchase", "status=draft", "number"),
    "api/v1/consumables/": _api("inventory_consumable", "q=item-0001", "name"),
    "api/v1/places/": _api("inventory_place", "q=van-0001", "code"),
    "api/v1/vans/": _api("shop_van", "", "code"),
    "api/v1/suppliers/": _api("inventory_supplier", "q=supplier-0001", "code"),
    "api/v1/customers/": _api("shop_customer", "q=customer-0001", "name"),
    "api/v1/technicians/": _api("shop_technician", "q=technician-0001", "code"),
    "api/v1/damage-types/": _api("shop_damagetype", "", "code"),
    "api/v1/glass-types/": _api("shop_glasstype", "", "code"),
    "api/v1/job-types/": _api("shop_jobtype", "", "code"),
    "api/v1/packs/": _api("inventory_pack", "supplier=supplier-000000", "supplier"),
    "api/v1/sites/": _api("shop_site", "customer=customer-000100", "name"),
    "api/v1/jobs/": _api("shop_job", "status=booked", "closed_at"),
    "api/v1/stock/": _api("inventory_holding", "place=van-0001", "quantity"),
    "api/v1/stock/low/": Look("inventory_lowlevel", OWNER),
    "api/v1/findings/": _api("shop_finding", "answered=false", "job"),
    "api/v1/refused-documents/": _api("inventory_refuseddocument", "refused_by=sue", "refused_at"),
    "api/v1/margins/": Look("shop_jobcost", OWNER, "by=customer"),
    "api/v1/variances/materials/": Look("shop_jobuse", OWNER),
    "api/v1/variances/labour/": Look("shop_jobcost", OWNER),
    "api/v1/costing/": Look("shop_jobcost", OWNER),
    "api/v1/periods/": _api("inventory_periodchange", "changed_by=sue", "changed_at"),
    **{
        f"api/v1/{kind}s/": _api(DOCUMENT, "recorded_by=sue", "occurred_at")
        for kind in ("close", "use", "receipt", "transfer", "return", "count", "scrap", "correction")
    },
}
# Forms and files: what they show does not grow with the tables.
NO_LIST = {
    "admin/",
    "sign-in/",
    "phone/",
    "phone/worker.js",
    "phone/manifest.webmanifest",
    "phone/session/",
    "phone/standing-close/",
    "owner/missing/chart.svg",
    "owner/margins/chart.svg",
    "owner/changes/chart.svg",
    "owner/rates/overhead/",
    "owner/settings/",
    "accounts/lock/",
    "accounts/reopen/",
    "people/me/",
    "people/me/password/",
    "people/me/sign-out-everywhere/",
    "people/forgotten/",
    "people/forgotten/sent/",
    "api/v1/",
    "api/v1/schema/",
    "api/v1/estimates/",
}


def unknown_routes() -> set[str]:
    """Return the routes of which nobody said whether they are lists."""
    read = {route for route, methods in ROUTES.items() if "GET" in methods and "<" not in route}
    return read - set(LISTS) - NO_LIST


def measure(only: str) -> None:
    """Print the table of all lists, or of those whose route holds a word."""
    logging.disable()  # what failed is marked in the table
    print(f"{'list':44} {'bare s':>7} {'first':>15} {'last':>15} {'narrowed':>15} {'sorted':>15} {'kB':>6}")
    for route, look in LISTS.items():
        if only in route:
            _measure_one(route, look)


def _measure_one(route: str, look: Look) -> None:
    from tests.shop.api.test_access import address  # noqa: PLC0415

    path = address(route, **dict(look.named))
    bare = _better_of_two(lambda: _bare(look.table))[0]
    first = _asked(look.who, path, "")
    pages = _number_of_pages(first.text) if look.page else 1
    queries = (f"{look.page}={pages}" if pages > 1 else "", look.narrowed, look.in_order)
    cells = [first, *(_asked(look.who, path, query) if query else None for query in queries)]
    shown = " ".join(f"{_cell(cell):>15}" for cell in cells)
    kilobytes = max(len(cell.text) for cell in cells if cell) / 1000
    worst = max(cell.seconds for cell in cells if cell)
    grown = {cell.queries for cell in cells[:2] if cell}
    marks = ("  SLOW" if worst > SLOW_SECONDS else "") + ("  LONG" if kilobytes * 1000 > LONG_BYTES else "")
    marks += "  MORE QUERIES" if len(grown) > 1 else ""
    print(f"{route or '(first page)':44} {bare:7.3f} {shown} {kilobytes:6.0f}{marks}", flush=True)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of asking: the better time of two, queries, the body."""

    status: int
    seconds: float
    queries: int
    text: str


def _cell(answer: Answer | None) -> str:
    if answer is None:
        return "-"
    status = "" if answer.status == 200 else f"{answer.status}! "
    return f"{status}{answer.seconds:.3f} s {answer.queries:>3} q"


def _asked(who: str, path: str, query: str) -> Answer:
    from django.db import connection  # noqa: PLC0415
    from django.test import Client  # noqa: PLC0415
    from django.test.utils import CaptureQueriesContext  # noqa: PLC0415

    from shop.models import Person  # noqa: PLC0415

    client = Client(raise_request_exception=False)
    client.force_login(Person.objects.get(username=who))

    def ask() -> tuple[int, str, int]:
        with CaptureQueriesContext(connection) as queries:
            answer = client.get(f"{path}?{query}")
            body = answer.getvalue().decode()
        return answer.status_code, body, len(queries)

    seconds, (status, text, queries) = _better_of_two(ask)
    return Answer(status, seconds, queries, text)


def _number_of_pages(text: str) -> int:
    if found := re.search(r"Page \d+ of (\d+)", text):
        return int(found[1])
    if found := re.search(r'"count":\s*(\d+)', text):
        return -(-int(found[1]) // 50)
    return 1


def _bare(table: str) -> None:
    from django.db import connection  # noqa: PLC0415

    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table} LIMIT 50")
        cursor.fetchall()
        cursor.execute(f"SELECT COUNT(*) FROM {table}")
        cursor.fetchall()


def _better_of_two(work: Callable[[], Any]) -> tuple[float, Any]:
    best = float("inf")
    for _ in range(2):
        start = time.perf_counter()
        found = work()
        best = min(best, time.perf_counter() - start)
    return best, found


def run_here(rows: int, only: str) -> None:
    """Fill the database of DATABASE_URL when it is empty, and measure it."""
    import django  # noqa: PLC0415

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
    django.setup()
    from django.db import connection  # noqa: PLC0415
    from django.test.utils import setup_test_environment  # noqa: PLC0415

    from shop.models import Person  # noqa: PLC0415
    from tests.benchmarks.wide_shop import fill  # noqa: PLC0415

    if unknown := unknown_routes():
        raise SystemExit(f"Say in LISTS or NO_LIST what these are: {', '.join(sorted(unknown))}")
    setup_test_environment()
    if not Person.objects.exists():
        start = time.perf_counter()
        fill(rows)
        if connection.vendor == "postgresql":  # it would by itself after a while; SQLite would not
            with connection.cursor() as cursor:
                cursor.execute("ANALYZE")
        print(f"filled in {time.perf_counter() - start:.0f} s", flush=True)
    measure(only)


@contextmanager
def _databases(url: str, *, only_sqlite: bool) -> Iterator[dict[str, str]]:
    if url:
        yield {url: migrated(url)}
        return
    with tempfile.TemporaryDirectory() as folder:
        urls = {"SQLite": migrated_sqlite_copy(Path(folder) / "lists.sqlite3")}
        if only_sqlite:
            yield urls
            return
        try:
            with postgres_server(durable=True) as server:
                yield {**urls, "PostgreSQL": migrated(server.new_database())}
        except PostgresMissingError as missing:
            print(missing)
            yield urls


def main(arguments: list[str] | None = None) -> None:
    """Measure both databases, or one in this process."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--only", default="", help="routes that hold this word")
    parser.add_argument("--database", default="", help="the URL of a database of its own")
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    rows, only = (60, "people/") if options.tiny else (options.rows, options.only)
    if options.here:
        run_here(rows, only)
        return
    with _databases(options.database, only_sqlite=options.tiny) as urls:
        for name, url in urls.items():
            print(f"{name}, about {rows:,} rows behind each list", flush=True)
            command = [sys.executable, "-m", "tests.benchmarks.lists", "--here", f"--rows={rows}"]
            subprocess.run([*command, f"--only={only}"], env={**os.environ, "DATABASE_URL": url}, check=True)


if __name__ == "__main__":
    main()
