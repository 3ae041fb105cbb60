"""Makes a shop with a long history by bare SQL, fast; for measurements only: it goes round every door."""

import json
import random
import sqlite3
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.servers import migrated_sqlite_copy

START = datetime(2020, 1, 1, tzinfo=UTC)
CONSUMABLES = 25
RECEIPTS = 400
SCALE = 10_000
JOB = (
    "reference status van_id technician_id job_type_id damage_type_id glass_id in_primary_view "
    "existing_damage price closed_at labour_minutes travel_minutes outcome note"
)
DOCUMENT = "kind client_id order digest content flags occurred_at posted_at recorded_at recorded_by"
MOVEMENT = (
    "document_id line part consumable_id quantity source_id destination_id occurred_at posted_at recorded_at "
    "rank landed_value"
)
COST = (
    "document_id job_id posted_at jobs revenue materials wear labour travel overhead labour_minutes "
    "closed_at outcome van_id technician_id job_type_id damage_type_id glass_id"
)


def sqlite_file(folder: Path, name: str) -> tuple[str, Path]:
    """Return the DATABASE_URL and the path of a migrated SQLite file."""
    path = folder / f"{name}.sqlite3"
    return migrated_sqlite_copy(path), path


def make_history(path: Path, jobs: int, lines: int) -> None:
    """Fill a migrated SQLite file with closed jobs and their costs, and `lines` unvalued movements each."""
    with sqlite3.connect(path) as database:
        database.execute("PRAGMA synchronous=OFF")
        van, outside = _make_master_data(database)
        insert(database, "inventory_document", DOCUMENT, _documents(jobs))
        insert(database, "inventory_movement", MOVEMENT, _receipt_lines(jobs, van, outside))
        insert(database, "inventory_movement", MOVEMENT, _use_lines(jobs, lines, van, outside))
        insert(database, "shop_job", JOB, _jobs(jobs))
        insert(database, "shop_jobcost", COST, _costs(jobs))
        database.execute(
            "INSERT INTO inventory_costpool (consumable_id, events_since_checkpoint) "
            "SELECT id, 0 FROM inventory_consumable"
        )


def insert(database: sqlite3.Connection, table: str, columns: str, rows: Iterable[tuple[Any, ...]]) -> None:
    """Insert rows of these columns, named with spaces between."""
    names = columns.split()
    quoted = ", ".join(f'"{name}"' for name in names)
    marks = ", ".join("?" * len(names))
    database.executemany(f"INSERT INTO {table} ({quoted}) VALUES ({marks})", rows)


def _make_master_data(database: sqlite3.Connection) -> tuple[int, dict[str, int]]:
    outside = dict(database.execute("SELECT kind, id FROM inventory_place"))
    insert(database, "inventory_place", "id code name kind", [(100, "VAN-1", "", "van")])
    insert(database, "shop_van", "id place_id registration", [(1, 100, "")])
    insert(database, "shop_technician", "id code name", [(1, "T-1", "")])
    insert(database, "shop_jobtype", "id code name list_price standard_minutes", [(1, "polish", "", 0, 0)])
    insert(
        database,
        "inventory_consumable",
        "id code name kind stock_unit grade",
        [
            (number, f"D-{number}", f"Disc {number}", "counted", "each", "")
            for number in range(1, CONSUMABLES + 1)
        ],
    )
    return 100, outside


def _moment(number: int, jobs: int) -> str:
    return (START + timedelta(seconds=number * 5 * 365 * 86_400 // jobs)).strftime("%Y-%m-%d %H:%M:%S")


def _documents(jobs: int) -> Iterator[tuple[Any, ...]]:
    """Yield a close for each job and then the receipts, each receipt a line for every consumable."""
    for number in range(jobs):
        at = _moment(number, jobs)
        yield "close", f"J-{number}", f"J-{number:020}", "", json.dumps({}), "[]", at, at, at, ""
    for number in range(RECEIPTS):
        at = _moment(number * jobs // RECEIPTS, jobs)
        yield "receipt", f"R-{number}", f"R-{number:020}", "", json.dumps({}), "[]", at, at, at, ""


def _receipt_lines(jobs: int, van: int, outside: dict[str, int]) -> Iterator[tuple[Any, ...]]:
    chance = random.Random(1)
    quantity = max(1, jobs * 12 // RECEIPTS // CONSUMABLES) * SCALE
    for number in range(RECEIPTS):
        at = _moment(number * jobs // RECEIPTS, jobs)
        for consumable in range(1, CONSUMABLES + 1):
            cost = quantity * chance.randint(90, 130) // 100
            document = jobs + number + 1
            yield document, consumable, 0, consumable, quantity, outside["supplier"], van, at, at, at, 0, cost


def _use_lines(jobs: int, lines: int, van: int, outside: dict[str, int]) -> Iterator[tuple[Any, ...]]:
    for number in range(jobs):
        at = _moment(number, jobs)
        for line in range(1, lines + 1):
            consumable = (number * 7 + line * 3) % CONSUMABLES + 1
            quantity = (1 + (number + line) % 3) * SCALE
            yield number + 1, line, 0, consumable, quantity, van, outside["job"], at, at, at, 3, None


def _jobs(jobs: int) -> Iterator[tuple[Any, ...]]:
    for number in range(jobs):
        damage, glass = number % 7 + 1, number % 4 + 1
        price = (80 + number % 300) * SCALE
        at = _moment(number, jobs)
        yield (
            *(f"J-{number}", "closed", 1, 1, 1, damage, glass, 0, "", price, at),
            *(60 * SCALE, 20 * SCALE, "removed", ""),
        )


def _costs(jobs: int) -> Iterator[tuple[Any, ...]]:
    for number in range(jobs):
        revenue = (80 + number % 300) * SCALE
        materials = (5 + number % 40) * SCALE
        at = _moment(number, jobs)
        damage, glass = number % 7 + 1, number % 4 + 1
        yield (
            *(number + 1, number + 1, at, 1, revenue, materials, 12_000, 450_000, 150_000, 240_000),
            *(60 * SCALE, at, "removed", 1, 1, 1, damage, glass),
        )
