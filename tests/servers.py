"""Servers for the tests: private PostgreSQL, Redis and mail; and commands in processes of their own."""

import asyncio
import os
import pwd
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import psycopg
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from psycopg import sql

PROJECT = Path(__file__).resolve().parent.parent
# Debian keeps the server's programs off the PATH, in a folder for each version.
VERSIONED_PROGRAMS = "/usr/lib/postgresql/*/bin"
# Waits for its standard input to end, as it does however the tests end, then stops the server and tidies up.
WATCH = 'read -r _; "$1" stop --pgdata="$2/data" --mode=immediate >/dev/null 2>&1; rm -rf "$2"'
# The same for a Redis, which leaves nothing to tidy up.
WATCH_REDIS = '"$@" >/dev/null & read -r _; kill -9 $!; wait'
UNSAFE_BUT_FAST = (
    # A plan must not depend on when statistics happened to be taken.
    "fsync = off\nsynchronous_commit = off\nfull_page_writes = off\nautovacuum = off\n"
)


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

    def new_database(self, copy_of: str | None = None) -> str:
        """Create a database, empty or copied from one that nobody uses, and return its DATABASE_URL."""
        name = f"shop_{next(self._numbers)}"
        model = urlsplit(copy_of).path.removeprefix("/") if copy_of else "template1"
        statement = sql.SQL("CREATE DATABASE {} TEMPLATE {}")
        with psycopg.connect(self.url, autocommit=True) as connection:
            connection.execute(statement.format(sql.Identifier(name), sql.Identifier(model)))
        return self._url(name)

    def _url(self, database: str) -> str:
        return f"postgres://postgres@/{database}?host={quote(str(self.folder))}"


class RedisMissingError(RuntimeError):
    """This machine has no Redis server to run."""


class RedisServer:
    """A private Redis, reached by a socket in its own folder, that forgets everything when it stops."""

    def __init__(self, folder: Path) -> None:
        self.socket = folder / "redis.sock"
        self.url = f"redis+socket://{self.socket}"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it listens. Raises RedisMissingError without the program."""
        program = shutil.which("redis-server")
        if program is None:
            raise RedisMissingError("no redis-server on the PATH; on Debian: apt-get install redis-server")
        options = ["--port", "0", "--unixsocket", self.socket, "--save", "", "--appendonly", "no"]
        self._process = subprocess.Popen(
            ["sh", "-c", WATCH_REDIS, "sh", program, *map(str, options), "--dir", str(self.socket.parent)],
            stdin=subprocess.PIPE,
            start_new_session=True,  # Ctrl-C reaches the tests, which stop it
        )
        wait_until(self.socket.exists, "Redis does not listen")

    def stop(self) -> None:
        """Stop it at once; starting it again brings it back empty."""
        if self._process is not None:
            self._process.communicate(b"\n")
            self._process = None
            self.socket.unlink(missing_ok=True)


@contextmanager
def redis_server() -> Iterator[RedisServer]:
    """Run a private Redis. Raises RedisMissingError when the machine has none."""
    # A socket's path may have some hundred characters, which pytest's own folders use up.
    with tempfile.TemporaryDirectory(prefix="redis-") as folder:
        server = RedisServer(Path(folder))
        server.start()
        try:
            yield server
        finally:
            server.stop()


class Mailbox:
    """What a real SMTP server took, and how it is to behave: it refuses and delays as a test asks.

    `refusals` are replies by the recipient's address, each given once for each time it is listed.
    """

    def __init__(self) -> None:
        self.taken: list[tuple[list[str], bytes]] = []
        self.refusals: dict[str, list[str]] = {}
        self.data_replies: list[str] = []
        self.delay_seconds = 0.0
        self.url = ""

    async def handle_RCPT(  # noqa: N802 - aiosmtpd's name
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        """Take or refuse a recipient."""
        if replies := self.refusals.get(address):
            return replies.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        """Take or refuse a message; what is taken counts, whether or not the sender lives to hear of it."""
        if self.data_replies:
            return self.data_replies.pop(0)
        assert isinstance(envelope.content, bytes)
        self.taken.append((list(envelope.rcpt_tos), envelope.content))
        await asyncio.sleep(self.delay_seconds)
        return "250 OK"

    def messages(self) -> list[EmailMessage]:
        """Return the messages taken, in their order."""
        return [message_from_bytes(content, policy=policy.default) for _, content in self.taken]

    def copies(self) -> Counter[str]:
        """Return how many copies of each message came, by Message-ID."""
        return Counter(str(message["Message-ID"]) for message in self.messages())


@contextmanager
def mail_server() -> Iterator[Mailbox]:
    """Run an SMTP server on a free port of this machine."""
    mailbox = Mailbox()
    port = free_port()
    controller = Controller(mailbox, hostname="127.0.0.1", port=port, ready_timeout=30)
    controller.start()
    try:
        mailbox.url = f"smtp://127.0.0.1:{port}"
        yield mailbox
    finally:
        controller.stop()


def free_port() -> int:
    """Return a port of this machine on which nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(condition: Callable[[], object], what: str, patience_s: float = 60) -> None:
    """Wait for a condition. Raises AssertionError saying what did not come."""
    end = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end, f"{what} after {patience_s:.0f} s"
        time.sleep(0.02)


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


def migrated_sqlite_copy(path: Path) -> str:
    """Make an SQLite file as migrations make it, and return its DATABASE_URL; a process migrates once."""
    shutil.copy(Path(_migrated_sqlite_folder().name) / "shop.sqlite3", path)
    return f"sqlite:///{path}"


@cache
def _migrated_sqlite_folder() -> tempfile.TemporaryDirectory[str]:
    """Return a folder with a migrated file; it goes when the process ends."""
    folder = tempfile.TemporaryDirectory(prefix="migrated-")
    migrated(f"sqlite:///{Path(folder.name) / 'shop.sqlite3'}")
    return folder


def run_race(database_url: str, module: str) -> str:
    """Run a module whose processes race on this migrated database, and return what it printed.

    Raises AssertionError with what went wrong when the module says by its exit status that a process failed.
    """
    raced = subprocess.run(
        [sys.executable, "-m", module],
        cwd=PROJECT,
        env={**os.environ, "DATABASE_URL": database_url},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert raced.returncode == 0, f"{module} ended with {raced.returncode}:\n{raced.stderr[-4000:]}"
    return raced.stdout


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
