"""Work killed in its middle, again and again: nothing is lost, nothing doubled.

Real workers, beats and a real Redis on a real PostgreSQL, and `run_due` on an SQLite file; a real mail server
takes the letters. Processes are killed with SIGKILL when the database shows that they are in the middle of a
piece of work; triggers in the test's own database make each write take a while, so that "in the middle" is
also between the effects and the mark that they are done. A week undisturbed says what the others must give.
"""

import os
import random
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from functools import partial
from typing import Any

import psycopg

from forecasting.schedule import WorkKind
from tests.forecasting.scheduler.killed_workers import (
    DONE_PIECES,
    PATIENCE_SECONDS,
    SENDING,
    SUPPLIERS,
    UNFINISHED,
    VANS,
    WEEKLY_AND_DAILY,
    Watched,
    in_fleet,
    is_there,
    kill,
    killable,
    pieces_of,
)
from tests.servers import (
    PROJECT,
    Mailbox,
    RedisServer,
    free_port,
    mail_server,
    wait_until,
)

KINDS = (*WEEKLY_AND_DAILY, SENDING)
OF_A_RENEWAL = (
    WorkKind.RENEWAL,
    WorkKind.FORECAST,
    WorkKind.FORECAST_PART,
    WorkKind.FORECAST_END,
    WorkKind.RESTOCKS,
)
WEEKS_OF_KILLS = 3
CLAIMED = """
SELECT kind, period FROM forecasting_periodwork WHERE token <> '' AND done_at IS NULL
UNION ALL SELECT 'sending', "key" FROM forecasting_letter WHERE state = 'sending'
"""
FORECASTS = """
SELECT f.place_id, f.consumable_id, f.weeks_ahead, f.mean, CAST(f.quantiles AS text)
FROM forecasting_burnforecast f WHERE f.run_id = {run} ORDER BY 1, 2, 3
"""
RESTOCKED = """
SELECT r.van_id, l.consumable_id, l.suggested
FROM forecasting_restock r JOIN forecasting_restockline l ON l.restock_id = r.id
WHERE r.period = '{period}' ORDER BY 1, 2
"""
ORDERED = """
SELECT p.supplier_id, l.consumable_id, l.suggested_packs
FROM forecasting_purchase p JOIN forecasting_purchaseline l ON l.purchase_id = p.id
WHERE p.status = 'draft' ORDER BY 1, 2
"""


def test_workers_killed_in_the_middle_of_every_task_lose_and_double_nothing(
    migrated_postgres_url: str, redis: RedisServer
) -> None:
    url, began = migrated_postgres_url, time.monotonic()
    with (
        mail_server() as mailbox,
        killable(url, mailbox, redis) as processes,
        psycopg.connect(url, autocommit=True) as database,
    ):
        watched = Watched(database, processes)
        # Two beats from the beginning to the end.
        beats = [processes.start("beat") for _ in range(2)]
        worker = processes.start("worker")
        wait_until(lambda: watched.is_done(1), "the undisturbed week is not done", PATIENCE_SECONDS)
        assert mailbox.copies().total() == VANS
        kill(worker)

        watched.make_writing_slow()
        mailbox.delay_seconds = 0.1
        for week in range(1, WEEKS_OF_KILLS + 1):
            processes.week(week)
            watched.kill_in_the_middle(partial(watched.is_done, week + 1))
        processes.week(WEEKS_OF_KILLS + 1)
        watched.kill_at_random(beats, redis)
        weeks = WEEKS_OF_KILLS + 2
        wait_until(
            lambda: watched.is_done(weeks), "the week of kills at random is not done", PATIENCE_SECONDS
        )

        repeats = check_all_is_there_once(watched.ask, mailbox, weeks)
        ask, kills, middle = watched.ask, watched.kills, watched.in_the_middle
        print(
            f"\n{kills.total()} kills in {time.monotonic() - began:.0f} s: {dict(kills)}; "
            f"in the middle {middle.total()}: {dict(middle)}; {repeats} of {VANS * weeks} letters twice"
        )
        assert len({supplier for supplier, _, _ in ask(ORDERED)}) == SUPPLIERS
        assert ask("SELECT count(*) FROM forecasting_purchase WHERE status = 'draft'") == [(SUPPLIERS,)]
        assert kills.total() >= 50
        assert all(middle[kind] for kind in KINDS), middle
        # Only a kill between the server's taking a letter and the mark that it did can send it twice.
        assert repeats <= kills[SENDING] + kills["at random"]


def test_workers_killed_while_new_data_renews_the_week_renew_it_once(
    migrated_postgres_url: str, redis: RedisServer
) -> None:
    url = migrated_postgres_url
    with (
        mail_server() as mailbox,
        killable(url, mailbox, redis) as processes,
        psycopg.connect(url, autocommit=True) as database,
    ):
        watched = Watched(database, processes)
        for _ in range(2):
            processes.start("beat")
        worker = processes.start("worker")
        wait_until(lambda: watched.is_done(1), "the undisturbed week is not done", PATIENCE_SECONDS)
        kill(worker)
        in_fleet("record_late_close", {"DATABASE_URL": url, "EMAIL_URL": mailbox.url, "REDIS_URL": redis.url})
        watched.make_writing_slow()

        def is_renewed() -> bool:
            done = dict(watched.ask(DONE_PIECES))
            return (
                done.pop(WorkKind.RENEWAL, 0) == 1
                and done == pieces_of(1)
                and watched.ask(UNFINISHED) == [(0,)]
            )

        watched.kill_in_the_middle(is_renewed)
        # Two workers now look at what is done, and at messages that come late.
        for _ in range(2):
            processes.start("worker")
        time.sleep(5)
        assert is_renewed()
        print(
            f"\n{watched.kills.total()} kills: {dict(watched.kills)}; middle: {dict(watched.in_the_middle)}"
        )
        assert all(watched.in_the_middle[kind] for kind in OF_A_RENEWAL), watched.in_the_middle
        ask = watched.ask
        (first, _), (second, finished) = ask(
            "SELECT id, finished_at FROM forecasting_forecastrun ORDER BY id"
        )
        assert finished
        assert ask(FORECASTS.format(run=first)) != ask(FORECASTS.format(run=second))
        events = "SELECT what, count(*) FROM forecasting_restockevent GROUP BY what"
        assert dict(ask(events)) == {"drafted": VANS, "drafted anew": VANS}
        assert ask("SELECT DISTINCT run_id FROM forecasting_restock") == [(second,)]
        # Letters that were sent stay sent, and none comes again.
        assert mailbox.copies().total() == VANS


def check_all_is_there_once(ask: Callable[[str], list[tuple[Any, ...]]], mailbox: Mailbox, weeks: int) -> int:
    """Assert that each week has once what the first, undisturbed one has; return how many letters repeat."""
    runs = ask("SELECT id, finished_at IS NOT NULL FROM forecasting_forecastrun ORDER BY id")
    assert len(runs) == weeks
    assert all(finished for _, finished in runs)
    forecasts = [ask(FORECASTS.format(run=run)) for run, _ in runs]
    assert len(forecasts[0]) > 0
    assert all(forecast == forecasts[0] for forecast in forecasts)
    periods = [period for (period,) in ask("SELECT DISTINCT period FROM forecasting_restock ORDER BY 1")]
    assert len(periods) == weeks
    drafts = [ask(RESTOCKED.format(period=period)) for period in periods]
    assert len({van for van, _, _ in drafts[0]}) == VANS
    assert all(draft == drafts[0] for draft in drafts)
    assert ask("SELECT count(*) FROM forecasting_restock") == [(VANS * weeks,)]
    assert ask("SELECT count(*) FROM forecasting_restockevent WHERE what = 'drafted'") == [(VANS * weeks,)]
    written = {message_id for (message_id,) in ask("SELECT message_id FROM forecasting_letter")}
    assert len(written) == VANS * weeks
    copies = mailbox.copies()
    assert set(copies) == written
    return copies.total() - len(copies)


def test_the_site_works_while_redis_is_gone_and_work_catches_up(
    migrated_postgres_url: str, redis: RedisServer
) -> None:
    url = migrated_postgres_url
    with mail_server() as mailbox, killable(url, mailbox, redis) as processes:
        redis.stop()
        port = free_port()
        site = subprocess.Popen(
            [sys.executable, "manage.py", "serve", f"--port={port}"],
            cwd=PROJECT,
            env={**os.environ, "DATABASE_URL": url, "REDIS_URL": redis.url},
            stdout=subprocess.DEVNULL,
        )
        try:
            wait_until(lambda: answers(port), "the site does not answer without Redis")
            # Both start without Redis, and wait for it.
            processes.start("worker")
            processes.start("beat")
            time.sleep(1)
            assert answers(port)
            assert mailbox.taken == []
            redis.start()
            wait_until(lambda: mailbox.copies().total() == VANS, "the letters do not come")
        finally:
            site.terminate()
            site.wait()
        assert max(mailbox.copies().values()) == 1


def answers(port: int) -> bool:
    """Return whether the site shows its sign-in page."""
    with suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{port}/sign-in/") as page:
        return bool(page.status == 200)
    return False


def test_run_due_killed_on_one_machine_loses_and_doubles_nothing(migrated_sqlite_url: str) -> None:
    chance = random.Random(20261126)  # noqa: S311 - when to kill
    weeks = 3
    with mail_server() as mailbox, killable(migrated_sqlite_url, mailbox) as processes:

        def ask(query: str) -> list[tuple[Any, ...]]:
            file = migrated_sqlite_url.removeprefix("sqlite:///")
            with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=30)) as database:
                return database.execute(query).fetchall()

        killed = Counter[tuple[str, str]]()
        for week in range(weeks):
            processes.week(week)
            end = time.monotonic() + PATIENCE_SECONDS
            while dict(ask(DONE_PIECES)) != pieces_of(week + 1) or ask(UNFINISHED) != [(0,)]:
                assert time.monotonic() < end, (ask(DONE_PIECES), ask(UNFINISHED))
                process = processes.start("due")
                while is_there(process):
                    # The first week is left undisturbed; in the others each piece is killed once when seen.
                    fresh = [piece for piece in ask(CLAIMED) if piece not in killed] if week else []
                    if fresh:
                        time.sleep(0.05 * chance.random() ** 2)
                        killed[fresh[0]] += kill(process)
                    time.sleep(0.002)
        kills = killed.total()
        repeats = check_all_is_there_once(ask, mailbox, weeks)
    print(f"\n{kills} kills; {repeats} of {VANS * weeks} letters twice")
    assert kills >= 10
    assert repeats <= kills
