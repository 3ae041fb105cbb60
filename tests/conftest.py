"""Fixtures and rules for the whole suite: which database a test gets, and what it finds there."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings as site
from django.core.management import call_command
from django.db import connection
from django.test import TransactionTestCase
from hypothesis import settings
from pytest_django.plugin import DjangoDbBlocker

from forecasting.append_only import FORECASTS
from inventory.db.append_only import LEDGER
from tests.servers import (
    PostgresMissingError,
    PostgresServer,
    migrated,
    migrated_sqlite_copy,
    postgres_server,
)

# How long an example takes says more about the machine than about the code, above all with a database.
settings.register_profile("without deadline", deadline=None)
settings.load_profile("without deadline")
# Else each test client looks through all static files at its first request: half the time of a test of pages.
site.WHITENOISE_AUTOREFRESH = True
# The strength of a hash is not a subject of the tests, and Django's own takes half a second each.
site.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]

# A test that asks for one of these starts servers, processes or a browser, which takes seconds.
SERVER_FIXTURES = {
    "postgres",
    "database_url",
    "migrated_url",
    "migrated_sqlite_url",
    "redis",
    "chromium",
    "site",
}


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let a run be limited to what depends on the database, for repeating it on another one."""
    parser.addoption(
        "--only-database", action="store_true", help="run only tests that use DATABASE_URL's database"
    )


def pytest_report_header() -> str:
    """Say at the top of a run which database it used."""
    return f"database: {connection.vendor}"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark what is slow and start with it, so that a parallel run does not end waiting for it.

    With --only-database leave out tests that use no database of Django's.
    """
    for item in items:
        if not SERVER_FIXTURES.isdisjoint(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.slow)
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
    if config.getoption("only_database"):
        kept = [item for item in items if _may_differ_by_database(item)]
        config.hook.pytest_deselected(items=[item for item in items if not _may_differ_by_database(item)])
        items[:] = kept


def _may_differ_by_database(item: pytest.Item) -> bool:
    return _uses_database(item) and item.get_closest_marker("same_on_each_database") is None


def _uses_database(item: pytest.Item) -> bool:
    fixtures = getattr(item, "fixturenames", ())
    test_class = getattr(item, "cls", None)
    return (
        item.get_closest_marker("django_db") is not None
        or not {"db", "transactional_db", "live_server"}.isdisjoint(fixtures)
        or (test_class is not None and issubclass(test_class, TransactionTestCase))
    )


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[None]:
    """Leave the test database as migrations made it after each test that commits.

    Such a test ends with Django emptying every table. The triggers of ledger and forecasts refuse that, and
    it would also take the rows that migrations add; so lift the triggers for that moment and put them back.
    """
    with django_db_blocker.unblock():
        migrated_rows = connection.creation.serialize_db_to_string()

    def empty_and_restore(_case: TransactionTestCase) -> None:
        for guards in (LEDGER, FORECASTS):
            guards.remove(connection)
        # The restored rows include what the post_migrate signal would make.
        call_command(
            "flush", verbosity=0, interactive=False, reset_sequences=False, inhibit_post_migrate=True
        )
        for guards in (LEDGER, FORECASTS):
            guards.install(connection)
        connection.creation.deserialize_db_from_string(migrated_rows)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", empty_and_restore)
        yield


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """Run a private PostgreSQL from the first test that asks for it to the end of the run.

    Without PostgreSQL on the machine these tests are skipped, except in CI, where that is an error.
    """
    try:
        with postgres_server() as server:
            yield server
    except PostgresMissingError as missing:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(missing))


@pytest.fixture
def postgres_url(postgres: PostgresServer) -> str:
    """Return the DATABASE_URL of an empty PostgreSQL database of this test's own."""
    return postgres.new_database()


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    """Return the DATABASE_URL of an SQLite file of this test's own, not yet made."""
    return f"sqlite:///{tmp_path / 'shop.sqlite3'}"


@pytest.fixture(params=["sqlite", "postgres"])
def database_url(request: pytest.FixtureRequest) -> str:
    """Return the DATABASE_URL of an empty database of this test's own, once for each kind of database."""
    url: str = request.getfixturevalue(f"{request.param}_url")
    return url


@pytest.fixture(scope="session")
def migrated_postgres(postgres: PostgresServer) -> str:
    """Return the DATABASE_URL of a database as migrations make it, of which tests get copies."""
    return migrated(postgres.new_database())


@pytest.fixture
def migrated_postgres_url(postgres: PostgresServer, migrated_postgres: str) -> str:
    """Return the DATABASE_URL of a migrated PostgreSQL database of this test's own."""
    return postgres.new_database(copy_of=migrated_postgres)


@pytest.fixture
def migrated_sqlite_url(tmp_path: Path) -> str:
    """Return the DATABASE_URL of a migrated SQLite file of this test's own."""
    return migrated_sqlite_copy(tmp_path / "migrated.sqlite3")


@pytest.fixture(params=["sqlite", "postgres"])
def migrated_url(request: pytest.FixtureRequest) -> str:
    """Return the DATABASE_URL of a migrated database of this test's own, once for each kind of database."""
    url: str = request.getfixturevalue(f"migrated_{request.param}_url")
    return url
