"""The databases that tests run on, and the repeat on the other one."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psycopg
import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from inventory.models import Document, Place
from tests import on_postgresql, servers
from tests.servers import PROJECT, PostgresServer, migrated, postgres_server, run_manage

HOLD_A_SERVER = """
import time
from tests.servers import postgres_server
with postgres_server() as server:
    print(server.folder, flush=True)
    time.sleep(600)
"""


def test_what_uses_the_database_runs_again_on_postgresql(postgres: PostgresServer) -> None:
    done = _on_postgresql("-k", "each_committing_test or missing_postgresql")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "database: postgresql" in done.stdout
    assert "2 passed" in done.stdout


@pytest.mark.parametrize(("more", "status"), [((), 5), (("--may-be-empty",), 0)])
def test_a_repeat_on_postgresql_that_runs_nothing_fails_unless_it_may_be_empty(
    more: tuple[str, ...], status: int, postgres: PostgresServer
) -> None:
    assert _on_postgresql("-k", "missing_postgresql", *more).returncode == status


def test_without_postgresql_the_repeat_is_left_out_aloud_but_fails_in_ci(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(servers, "VERSIONED_PROGRAMS", f"{tmp_path}/*/bin")
    monkeypatch.delenv("CI", raising=False)
    assert on_postgresql.main([]) == 0
    assert "left out: no PostgreSQL server" in capsys.readouterr().err
    monkeypatch.setenv("CI", "true")
    with pytest.raises(servers.PostgresMissingError):
        on_postgresql.main([])


def _on_postgresql(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Repeat some tests of this file."""
    return subprocess.run(
        [sys.executable, "-m", "tests.on_postgresql", "-p", "no:cacheprovider", __file__, *arguments],
        cwd=PROJECT,
        env={**os.environ, "PYTEST_ADDOPTS": ""},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("turn", ["first", "after a test that committed"])
def test_each_committing_test_finds_the_database_as_migrations_made_it(turn: str) -> None:
    assert not Document.objects.exists()
    assert Place.objects.exclude(kind="").count() == len({"supplier", "job", "lost", "scrapped"})
    now = timezone.now()
    Document.objects.create(
        kind="scrap",
        client_id="S-1",
        order="S-1",
        digest="",
        content={},
        occurred_at=now,
        posted_at=now,
        recorded_at=now,
    )
    Place.objects.create(code="van-1", name="Van 1", kind="van")
    for refused in ("DELETE FROM inventory_document", "UPDATE inventory_document SET digest = 'x'"):
        with (
            pytest.raises(DatabaseError, match="append-only"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(refused)
    assert Document.objects.get().digest == ""


def test_every_database_of_a_private_server_is_new_and_empty(postgres: PostgresServer) -> None:
    first, second = postgres.new_database(), postgres.new_database()
    with psycopg.connect(first) as link:
        link.execute("CREATE TABLE only_here (n int)")
    with psycopg.connect(second) as link:
        found = link.execute("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'").fetchone()
    assert found == (0,)


def test_a_private_server_listens_on_no_network_address(postgres: PostgresServer) -> None:
    assert _setting(postgres, "listen_addresses") == ""


@pytest.mark.parametrize(("durable", "fsync"), [(False, "off"), (True, "on")])
def test_a_durable_server_waits_for_the_disk(durable: bool, fsync: str, postgres: PostgresServer) -> None:
    with postgres_server(durable=durable) as server:
        assert _setting(server, "fsync") == fsync
        assert _setting(server, "full_page_writes") == fsync


def test_a_server_is_gone_when_its_block_ends(postgres: PostgresServer) -> None:
    with contextlib.suppress(KeyboardInterrupt), postgres_server() as server:
        link = psycopg.connect(server.url)
        raise KeyboardInterrupt
    _assert_cut_off(link)
    assert not server.folder.exists()


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_server_is_stopped_when_the_tests_are_killed(how: signal.Signals, postgres: PostgresServer) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD_A_SERVER], cwd=PROJECT, stdout=subprocess.PIPE, encoding="utf-8"
    ) as tests:
        assert tests.stdout is not None
        server = PostgresServer(Path(tests.stdout.readline().strip()))
        link = psycopg.connect(server.url)
        tests.send_signal(how)
    _wait_until_gone(server.folder)
    _assert_cut_off(link)


def test_a_missing_postgresql_is_named_with_its_remedy(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(servers, "VERSIONED_PROGRAMS", f"{tmp_path}/*/bin")
    with pytest.raises(servers.PostgresMissingError, match="apt-get install postgresql"):
        servers.postgres_programs()


def test_the_newest_of_several_installed_versions_is_taken(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for version in ("9.6", "15", "17"):
        (tmp_path / version / "bin").mkdir(parents=True)
    for version in ("9.6", "15"):  # 17 has but its client programs
        for program in ("initdb", "pg_ctl", "postgres"):
            (tmp_path / version / "bin" / program).touch()
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr(servers, "VERSIONED_PROGRAMS", f"{tmp_path}/*/bin")
    assert servers.postgres_programs() == tmp_path / "15" / "bin"


def test_commands_run_on_the_database_they_are_given(database_url: str) -> None:
    assert "[ ]" in run_manage(database_url, "showmigrations", "inventory").stdout
    assert migrated(database_url) == database_url
    assert "[ ]" not in run_manage(database_url, "showmigrations", "inventory").stdout


def test_a_failed_command_shows_what_it_said(sqlite_url: str) -> None:
    with pytest.raises(AssertionError, match="Unknown command: 'nonsense'"):
        run_manage(sqlite_url, "nonsense")
    assert run_manage(sqlite_url, "nonsense", check=False).returncode != 0


def test_a_command_reads_what_it_is_given(sqlite_url: str) -> None:
    assert run_manage(sqlite_url, "shell", "--verbosity=0", stdin="print(6 * 7)").stdout == "42\n"


def _setting(server: PostgresServer, name: str) -> str:
    with psycopg.connect(server.url) as link:
        row = link.execute("SELECT current_setting(%s)", (name,)).fetchone()
    assert row is not None
    return str(row[0])


def _assert_cut_off(link: psycopg.Connection) -> None:
    with link, pytest.raises(psycopg.OperationalError):
        link.execute("SELECT 1")


def _wait_until_gone(folder: Path) -> None:
    patience_s = 30
    end = time.monotonic() + patience_s
    while folder.exists() and time.monotonic() < end:
        time.sleep(0.05)
    assert not folder.exists(), f"{folder} is still there after {patience_s} s"
