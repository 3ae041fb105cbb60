"""Jobs closed one by one through the door, against the same rows written by bare SQL, on both databases.

Run as `python -m tests.benchmarks.closes [--jobs N | --tiny]`. The bare side writes, in a transaction for
each job, exactly the rows that the door wrote: job, document, movements, values, holdings, pools, uses, cost.
It reads nothing, checks nothing and computes nothing. PostgreSQL keeps every safeguard of the disk; `--tiny`
leaves SQLite out where there is PostgreSQL.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.servers import PostgresMissingError, migrated, migrated_sqlite_copy, postgres_server

# What one close writes, in the order of its foreign keys; pools and holdings are rows that exist already.
TABLES = (
    ("shop_job", "id", "id = %(job)s"),
    ("inventory_document", "id", "id = %(document)s"),
    ("inventory_movement", "id", "document_id = %(document)s"),
    (
        "inventory_movementvalue",
        "movement_id",
        "movement_id IN (SELECT id FROM inventory_movement WHERE document_id = %(document)s)",
    ),
    ("shop_jobuse", "id", "document_id = %(document)s"),
    ("shop_jobcost", "document_id", "document_id = %(document)s"),
)


def measure(url: str, jobs: int) -> None:
    """Run one side after the other in processes of their own and print both and the ratio."""
    for side in ("door", "bare"):
        command = [sys.executable, "-m", "tests.benchmarks.closes", "--side", side, "--jobs", str(jobs)]
        done = subprocess.run(
            command,
            env={**os.environ, "DATABASE_URL": url},
            stdout=subprocess.PIPE,
            encoding="utf-8",
            check=True,
        )
        rate = float(done.stdout)
        if side == "door":
            door = rate
        print(f"  {side}: {rate:,.0f} jobs closed per second", flush=True)
    print(f"  ratio door / bare: {door / rate:.2f} (aim: at least 0.33)")


def close_through_door(jobs: int) -> float:
    """Close jobs through the door; return jobs per second."""
    from shop.jobs.close_job import close_job  # noqa: PLC0415 - models need django.setup() first
    from tests.shop import closing_race  # noqa: PLC0415

    closing_race.make_world()
    closes = [closing_race.close(number, shared=False) for number in range(jobs)]
    closes.sort(key=lambda close: close.closed_at)
    start = time.perf_counter()
    for close in closes:
        close_job(close)
    return jobs / (time.perf_counter() - start)


def close_by_bare_sql(jobs: int) -> float:
    """Take away all that the door wrote and write it again by bare SQL; return jobs per second."""
    from django.db import connection, transaction  # noqa: PLC0415

    from inventory.db import append_only  # noqa: PLC0415

    append_only.remove(connection)
    with connection.cursor() as cursor:
        cursor.execute("SELECT document_id, job_id FROM shop_jobcost ORDER BY document_id")
        pairs = cursor.fetchall()
        written = [_rows_of(cursor, {"document": document, "job": job}) for document, job in pairs]
        cursor.execute("SELECT consumable_id, state, posted_at FROM inventory_costpool")
        pools = {pool[0]: pool for pool in cursor.fetchall()}
        cursor.execute("DELETE FROM shop_finding")
        for table, _, _ in reversed(TABLES):
            cursor.execute(f"DELETE FROM {table} WHERE {_written_by_closes(table)}")
    append_only.install(connection)
    connection.close()
    start = time.perf_counter()
    for rows in written:
        with transaction.atomic(), connection.cursor() as cursor:
            for (table, _, _), (names, values) in zip(TABLES, rows, strict=True):
                marks = ", ".join(["%s"] * len(names))
                columns = ", ".join(f'"{name}"' for name in names)
                cursor.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", values)
            names, values = rows[2]
            for value in values:
                movement = dict(zip(names, value, strict=True))
                _move(cursor, movement, pools[movement["consumable_id"]])
    assert len(written) == jobs
    return jobs / (time.perf_counter() - start)


def _written_by_closes(table: str) -> str:
    closes = "SELECT id FROM inventory_document WHERE kind = 'close'"
    return {
        "shop_job": "1 = 1",
        "inventory_document": "kind = 'close'",
        "inventory_movementvalue": (
            f"movement_id IN (SELECT id FROM inventory_movement WHERE document_id IN ({closes}))"
        ),
    }.get(table, f"document_id IN ({closes})")


def _rows_of(cursor: Any, keys: dict[str, int]) -> list[tuple[list[str], list[tuple[Any, ...]]]]:
    """Return, for each table, the columns and rows of one close, as its driver takes them back."""
    result = []
    for table, order, condition in TABLES:
        cursor.execute(f"SELECT * FROM {table} WHERE {condition} ORDER BY {order}", keys)
        names = [column[0] for column in cursor.description]
        rows = [tuple(_plain(value) for value in row) for row in cursor.fetchall()]
        result.append((names, rows))
    return result


def _plain(value: Any) -> Any:
    return json.dumps(value) if isinstance(value, dict | list) else value


def _move(cursor: Any, movement: dict[str, Any], pool: tuple[Any, ...]) -> None:
    cursor.execute(
        "INSERT INTO inventory_holding (place_id, consumable_id, quantity) VALUES (%s, %s, %s) "
        "ON CONFLICT (place_id, consumable_id) DO UPDATE "
        "SET quantity = inventory_holding.quantity + excluded.quantity",
        (movement["source_id"], movement["consumable_id"], -movement["quantity"]),
    )
    cursor.execute(
        "UPDATE inventory_costpool SET state = %s, posted_at = %s WHERE consumable_id = %s",
        (_plain(pool[1]), pool[2], pool[0]),
    )


@contextmanager
def _databases() -> Iterator[dict[str, str]]:
    with tempfile.TemporaryDirectory() as folder:
        urls = {"SQLite": migrated_sqlite_copy(Path(folder) / "closes.sqlite3")}
        try:
            with postgres_server(durable=True) as server:
                yield {**urls, "PostgreSQL": migrated(server.new_database())}
        except PostgresMissingError as missing:
            print(missing)
            yield urls


def main(arguments: list[str] | None = None) -> None:
    """Measure both databases, or one side in this process."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=500)
    parser.add_argument("--tiny", action="store_true", help="only check that it works")
    parser.add_argument("--side", choices=("door", "bare"), help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    jobs = 3 if options.tiny else options.jobs
    if options.side:
        import django  # noqa: PLC0415

        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
        django.setup()
        work = close_through_door if options.side == "door" else close_by_bare_sql
        print(work(jobs))
        return
    with _databases() as urls:
        measured = list(urls.items())[-1:] if options.tiny else urls.items()
        for name, url in measured:
            print(f"{name}, {jobs} jobs of 3 lines")
            measure(url, jobs)


if __name__ == "__main__":
    main()
