"""Databases for the tests: a private PostgreSQL, and management commands run in processes of their own."""

import os
import pwd
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import quote

import psycopg
from psycopg import sql

PROJECT = Path(__file__).resolve().parent.parent
# Debian keeps the server's programs off the PATH, in a folder for each version.
VERSIONED_PROGRAMS = "/usr/lib/postgresql/*/bin"
# Waits for its standard input to end, as it does however the tests end, then stops the server and tidies up.
WATCH = 'read -r _; "$1" stop --pgdata="$2/data" --mode=immediate >/dev/null 2>&1; rm -rf "$2"'
UNSAFE_BUT_FAST = "fsync = off\nsynchronous_commit = off\nfull_page_writes = off\n"


class PostgresMissingError(RuntimeError):
    """This machine has no PostgreSQL server to run."""


@dataclass(frozen=True)
class PostgresServer:
    """A running private PostgreSQL, reached by a socket in its own folder and by nothing else."""

    folder: Path
    _numbers: Iterator[int] = field(default_factory=lambda: count(1), repr=False)

    @property
    def url(self) -> str:
        """Return the DATABASE_URL of the server's maintenance database."""
        return self._url("postgres")

    def new_database(self) -> str:
        """Create an empty database and return its DATABASE_URL."""
        name = f"shop_{next(self._numbers)}"
        with psycopg.connect(self.url, autocommit=True) as connection:
            connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        return self._url(name)

    def _url(self, database: str) -> str:
        return f"postgres://postgres@/{database}?host={quote(str(self.folder))}"


@contextmanager
def postgres_server(*, durable: bool = False) -> Iterator[PostgresServer]:
    """Run a PostgreSQL of our own in a temporary folder, and stop it however this process ends.

    durable keeps every safeguard of the disk, for measurements; without it the server is faster and would
    not survive a power cut. Raises PostgresMissingError when the machine has no PostgreSQL, and
    CalledProcessError (its output printed) when it does not start.
    """
    programs = postgres_programs()
    account = _account_for_server()
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    if "user" in account:
        os.chown(folder, account["user"], account["group"])
    watcher = subprocess.Popen(
        ["sh", "-c", WATCH, "sh", programs / "pg_ctl", folder],
        stdin=subprocess.PIPE,
        cwd="/",
        start_new_session=True,  # Ctrl-C reaches the tests, which still use the server while they end
        **account,
    )
    data, log = folder / "data", folder / "log"
    # The C locale sorts text as SQLite does.
    initdb = ["--username=postgres", "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync"]
    try:
        _run_quietly([f"{programs}/initdb", f"--pgdata={data}", *initdb], account, log)
        with (data / "postgresql.conf").open("a", encoding="utf-8") as configuration:
            configuration.write(f"listen_addresses = ''\nunix_socket_directories = '{folder}'\n")
            configuration.write("" if durable else UNSAFE_BUT_FAST)
        _run_quietly(
            [f"{programs}/pg_ctl", "start", f"--pgdata={data}", f"--log={log}", "--wait"], account, log
        )
        yield PostgresServer(folder)
    finally:
        watcher.communicate(b"\n")


def postgres_programs() -> Path:
    """Return the folder of the newest PostgreSQL server's programs, that on the PATH before others."""
    on_path = shutil.which("initdb")
    versioned = sorted(
        Path("/").glob(VERSIONED_PROGRAMS[1:]), key=lambda folder: _numbers_in(folder.parent.name)
    )
    candidates = [*([Path(on_path).resolve().parent] if on_path else []), *reversed(versioned)]
    for folder in candidates:
        if all((folder / program).exists() for program in ("initdb", "pg_ctl", "postgres")):
            return folder
    raise PostgresMissingError(
        f"no PostgreSQL server on the PATH nor in {VERSIONED_PROGRAMS}; on Debian: apt-get install postgresql"
    )


def run_manage(
    database_url: str, *arguments: str, check: bool = True, stdin: str | None = None
) -> subprocess.CompletedProcess[str]:
    """Run manage.py with these arguments on this database, and return what it printed and its exit status.

    Raises AssertionError with the whole output when check is set and the command failed.
    """
    done = subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=PROJECT,
        env={**os.environ, "DATABASE_URL": database_url},
        input=stdin if stdin is not None else "",
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    if check and done.returncode != 0:
        raise AssertionError(
            f"manage.py {' '.join(arguments)} ended with {done.returncode}:\n{done.stdout}{done.stderr}"
        )
    return done


def migrated(database_url: str) -> str:
    """Bring this database up to date in a process of its own, and return its URL."""
    run_manage(database_url, "migrate", "--verbosity=0")
    return database_url


def _account_for_server() -> dict[str, Any]:
    """Return the subprocess arguments that shed root's rights: PostgreSQL refuses to run with them."""
    if os.geteuid() != 0:
        return {}
    names = {entry.pw_name for entry in pwd.getpwall()}
    account = pwd.getpwnam("postgres" if "postgres" in names else "nobody")
    return {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}


def _run_quietly(command: Sequence[str], account: dict[str, Any], log: Path) -> None:
    """Run a command, printing its output and the log, if it made one, only when it fails."""
    done = subprocess.run(command, cwd="/", capture_output=True, encoding="utf-8", check=False, **account)
    if done.returncode != 0:
        print(done.stdout, done.stderr, log.read_text(encoding="utf-8") if log.exists() else "")
        done.check_returncode()


def _numbers_in(version: str) -> list[int]:
    return [int(number) for number in re.findall(r"\d+", version)]
