"""What the site has answered survives a power cut: it is on the disk before the answer."""

import pytest

from tests.servers import run_manage

# Reads the setting on the connection that a page of the served site used, in a deployment's own process.
SETTING = """
from django.db import connection
from django.test import Client
from shop.config.wsgi import application
assert Client(HTTP_HOST="localhost").get("/sign-in/").status_code == 200
used = connection.connection
assert used is not None
with connection.cursor() as cursor:
    for statement in {statements!r}:
        cursor.execute(statement)
        print(cursor.fetchone()[0])
assert connection.connection is used
"""
# 2 is FULL, which syncs the write-ahead log at every commit: sqlite.org/pragma.html#pragma_synchronous.
FULL = "2"


def test_an_sqlite_file_is_synced_at_every_commit(migrated_sqlite_url: str) -> None:
    asked = settings_of(migrated_sqlite_url, "PRAGMA synchronous", "PRAGMA journal_mode")
    assert asked == [FULL, "wal"]


@pytest.mark.parametrize("name", ["synchronous_commit"])
def test_no_connection_to_postgresql_gives_its_safeguards_up(migrated_postgres_url: str, name: str) -> None:
    """The test server itself runs without them (tests.servers), so look at what the connection asks for."""
    script = f"SELECT source FROM pg_settings WHERE name = '{name}'"  # noqa: S608
    (source,) = settings_of(migrated_postgres_url, script)
    assert source in {"default", "configuration file"}


def settings_of(url: str, *statements: str) -> list[str]:
    """Return what a connection of the served site says to each statement."""
    answer = run_manage(url, "shell", "--verbosity=0", stdin=SETTING.format(statements=statements)).stdout
    return answer.strip().splitlines()[-len(statements) :]
