"""Workers that run in processes of their own, and are killed while the database shows them at work."""

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import psycopg

from forecasting.schedule import WorkKind
from tests.servers import (
    PROJECT,
    Mailbox,
    RedisServer,
)

VANS, SUPPLIERS, PARTS = 3, 2, 2
PATIENCE_SECONDS = 300
SENDING = "sending a letter"
# A renewal comes with new data only.
WEEKLY_AND_DAILY = tuple(kind for kind in WorkKind if kind != WorkKind.RENEWAL)
# Of pieces that come once a week, each is killed twice; of the others, each once.
KILLS_OF_PIECE = dict.fromkeys(
    (
        WorkKind.FORECAST,
        WorkKind.FORECAST_END,
        WorkKind.RESTOCKS,
        WorkKind.RENEWAL,
        WorkKind.PURCHASES,
        WorkKind.CHECK,
    ),
    2,
)
KILLS_AT_RANDOM = 12
# Some time after a kill and before the claim is taken over (tests.forecasting.killable).
AFTER_KILL_SECONDS = 0.5

DELAY = """
CREATE FUNCTION delay() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN PERFORM pg_sleep(0.1 + 0.2 * random()); RETURN NEW; END $$;
CREATE TRIGGER delay BEFORE UPDATE ON forecasting_periodwork FOR EACH ROW
    WHEN (NEW.done_at IS NOT NULL) EXECUTE FUNCTION delay();
CREATE TRIGGER delay BEFORE UPDATE ON forecasting_letter FOR EACH ROW
    WHEN (NEW.state = 'sent') EXECUTE FUNCTION delay();
"""
DELAY_BEFORE = "CREATE TRIGGER delay_before BEFORE INSERT ON {} FOR EACH STATEMENT EXECUTE FUNCTION delay()"
WRITTEN = ("forecastrun", "burnforecast", "restock", "restockline", "letter", "purchase", "purchaseline")

AT_WORK = """
SELECT kind, period, token FROM forecasting_periodwork
WHERE token <> '' AND done_at IS NULL AND alive_at > now() - interval '1 second'
UNION ALL
SELECT %s, "key", token FROM forecasting_letter
WHERE state = 'sending' AND alive_at > now() - interval '1 second'
"""
STILL_CLAIMED = """
SELECT 1 FROM forecasting_periodwork WHERE token = %s AND done_at IS NULL
UNION ALL SELECT 1 FROM forecasting_letter WHERE token = %s AND state = 'sending'
"""
UNFINISHED = """
SELECT (SELECT count(*) FROM forecasting_periodwork WHERE done_at IS NULL)
     + (SELECT count(*) FROM forecasting_letter WHERE state <> 'sent')
"""
DONE_PIECES = "SELECT kind, count(*) FROM forecasting_periodwork WHERE done_at IS NOT NULL GROUP BY kind"
BEGIN = "import django; django.setup(); from tests.forecasting import {0}; {0}.{1}()"


class Killable:
    """The process of tests.forecasting.killable, and those that it started."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-c", BEGIN.format("killable", "main")],
            cwd=PROJECT,
            env={**os.environ, "DJANGO_SETTINGS_MODULE": "shop.config.settings", **environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
        )
        self._started: list[int] = []

    def start(self, role: str) -> int:
        """Start a process of a role, and return its id."""
        self._started.append(int(self._ask(role)))
        return self._started[-1]

    def week(self, number: int) -> None:
        """Let all that start later take it to be so many weeks later."""
        self._ask(f"week {number}")

    def end(self) -> None:
        """Kill all."""
        for process in self._started:
            kill(process)
        self._process.communicate()

    def _ask(self, line: str) -> str:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        answer: str = self._process.stdout.readline().strip()
        assert answer, f"no answer to {line}"
        return answer


def in_fleet(step: str, environment: dict[str, str]) -> None:
    """Let a function of tests.forecasting.small_fleet fill a database, in a process of its own."""
    subprocess.run(
        [sys.executable, "-c", BEGIN.format("small_fleet", step)],
        cwd=PROJECT,
        env={**os.environ, "DJANGO_SETTINGS_MODULE": "shop.config.settings", **environment},
        check=True,
    )


@contextmanager
def killable(database_url: str, mailbox: Mailbox, redis: RedisServer | None = None) -> Iterator[Killable]:
    """Fill a migrated database with the shop, and run the process that starts what is killed."""
    environment = {"DATABASE_URL": database_url, "EMAIL_URL": mailbox.url, "LOG_LEVEL": "CRITICAL"}
    environment["REDIS_URL"] = redis.url if redis else ""
    in_fleet("open_fleet", environment)
    started = Killable(environment)
    try:
        yield started
    finally:
        started.end()


def kill(process: int) -> bool:
    """Kill a process at once; return whether it was there."""
    with suppress(ProcessLookupError):
        os.kill(process, signal.SIGKILL)
        return True
    return False


def is_there(process: int) -> bool:
    """Return whether a process runs."""
    with suppress(ProcessLookupError):
        os.kill(process, 0)
        return True
    return False


def pieces_of(weeks: int) -> dict[str, int]:
    """Return how many pieces of each kind are done after some weeks."""
    each: dict[str, int] = dict.fromkeys(WEEKLY_AND_DAILY, weeks)
    return {**each, WorkKind.FORECAST_PART: PARTS * weeks, WorkKind.LETTER: VANS * weeks}


class Watched:
    """The database that the workers work on, and what was killed."""

    def __init__(self, database: psycopg.Connection, processes: Killable) -> None:
        self._database = database
        self.processes = processes
        self.chance = random.Random(20261125)  # noqa: S311 - when to kill
        self.kills, self.in_the_middle = Counter[str](), Counter[str]()

    def ask(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        """Return what the database answers."""
        return self._database.execute(query.encode(), values or None).fetchall()

    def is_done(self, weeks: int) -> bool:
        """Return whether all the work of so many weeks is done, and all letters are sent."""
        return dict(self.ask(DONE_PIECES)) == pieces_of(weeks) and self.ask(UNFINISHED) == [(0,)]

    def make_writing_slow(self) -> None:
        """Let each write take a while from now on."""
        self._database.execute(DELAY)
        for table in WRITTEN:
            self._database.execute(DELAY_BEFORE.format(f"forecasting_{table}").encode())

    def kill_in_the_middle(self, is_done: Callable[[], bool]) -> None:
        """Kill the one worker whenever it is seen at work, until all is done."""
        worker = self.processes.start("worker")
        killed = Counter[tuple[str, str]]()
        end = time.monotonic() + PATIENCE_SECONDS
        while not is_done():
            assert time.monotonic() < end, (self.ask(DONE_PIECES), self.ask(UNFINISHED))
            seen = [
                row for row in self.ask(AT_WORK, SENDING) if killed[row[:2]] < KILLS_OF_PIECE.get(row[0], 1)
            ]
            if not seen:
                if not is_there(worker):
                    # As whatever supervises a worker does.
                    worker = self.processes.start("worker")
                time.sleep(0.003)
                continue
            kind, period, token = seen[0]
            if self.kills[kind]:
                # The first of a kind is killed where it surely stands, others anywhere.
                time.sleep(0.3 * self.chance.random() ** 2)
            kill(worker)
            killed[kind, period] += 1
            self.kills[kind] += 1
            time.sleep(AFTER_KILL_SECONDS)
            self.in_the_middle[kind] += len(self.ask(STILL_CLAIMED, token, token))
            worker = self.processes.start("worker")
        kill(worker)

    def kill_at_random(self, beats: list[int], redis: RedisServer) -> None:
        """Kill two workers and two beats now and then, and let Redis forget everything in between."""
        workers = [self.processes.start("worker") for _ in range(2)]
        for turn in range(KILLS_AT_RANDOM):
            time.sleep(self.chance.uniform(0.1, 0.9))
            group, role = (beats, "beat") if turn % 4 == 3 else (workers, "worker")
            place = self.chance.randrange(2)
            self.kills["at random"] += kill(group[place])
            group[place] = self.processes.start(role)
            if turn == KILLS_AT_RANDOM // 2:
                redis.stop()
                time.sleep(1)
                redis.start()
