"""The ledger's tables refuse change in the database itself."""

import pytest
from django.db import DatabaseError, connection, transaction

from inventory import ledger
from inventory.db.append_only import KEYS, MESSAGE, TABLES
from inventory.ledger import period_lock
from tests.factories import DISC, NOW, at, count, make_shop, receipt

pytestmark = pytest.mark.django_db

STATEMENTS = ["UPDATE {} SET id = id", "DELETE FROM {}", "DELETE FROM {} WHERE id > 0"]
if connection.vendor == "postgresql":  # SQLite has no TRUNCATE
    STATEMENTS.append("TRUNCATE {} CASCADE")


@pytest.fixture(autouse=True)
def _a_row_in_every_table() -> None:
    make_shop()
    ledger.post_many([receipt("R-1", 0, (DISC, 10, 50)), count("N-1", 1, (DISC, 9))], now=NOW)
    period_lock.change_lock(at(0), reason="month end", by="owner", now=NOW)


def rows(table: str) -> list[tuple[object, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table} ORDER BY id")  # noqa: S608 - the tables' own names
        return list(cursor.fetchall())


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize(
    "statement", ["UPDATE {} SET id = id", "DELETE FROM {}", "DELETE FROM {} WHERE id > 0"]
)
def test_update_and_delete_are_refused(table: str, statement: str) -> None:
    before = rows(table)
    assert before
    with (
        pytest.raises(DatabaseError, match=MESSAGE),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement.format(table))
    assert rows(table) == before


@pytest.mark.skipif(connection.vendor != "sqlite", reason="only SQLite can replace rows in an INSERT")
@pytest.mark.parametrize("table", TABLES)
def test_replacing_a_row_is_refused(table: str) -> None:
    before = rows(table)
    for key in KEYS[table][:2]:  # no row here corrects another
        with pytest.raises(DatabaseError, match=MESSAGE), transaction.atomic():
            replace_first_row(table, keep_number=key == ("id",))
    assert rows(table) == before


def replace_first_row(table: str, *, keep_number: bool) -> None:
    """Insert a table's first row again, under its own number or a new one."""
    with connection.cursor() as cursor:
        cursor.execute(f"PRAGMA table_info({table})")
        names = [f'"{column[1]}"' for column in cursor.fetchall()]
        number = "id" if keep_number else f"(SELECT MAX(id) + 1 FROM {table})"  # noqa: S608
        values = [number if name == '"id"' else name for name in names]
        cursor.execute(
            f"INSERT OR REPLACE INTO {table} ({', '.join(names)}) "  # noqa: S608
            f"SELECT {', '.join(values)} FROM {table} ORDER BY id LIMIT 1"
        )
