"""The ledger's tables refuse change in the database itself."""

import pytest
from django.db import DatabaseError, connection, transaction

from inventory import ledger, periods
from inventory.guards import MESSAGE, TABLES
from tests.factories import DISC, NOW, at, count, make_shop, receipt

pytestmark = pytest.mark.django_db

STATEMENTS = ["UPDATE {} SET id = id", "DELETE FROM {}", "DELETE FROM {} WHERE id > 0"]
if connection.vendor == "postgresql":  # SQLite has no TRUNCATE
    STATEMENTS.append("TRUNCATE {} CASCADE")


@pytest.fixture(autouse=True)
def _a_row_in_every_table() -> None:
    make_shop()
    ledger.post_many([receipt("R-1", 0, (DISC, 10, 50)), count("N-1", 1, (DISC, 9))], now=NOW)
    periods.change_lock(at(0), reason="month end", by="owner", now=NOW)


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
