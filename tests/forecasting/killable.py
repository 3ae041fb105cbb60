"""Workers, beats and runs of `run_due` that tests may kill: forked from a process that has all modules.

`main` starts a process for each line it reads, and answers with its id: `worker`, `beat`, or `due`. `week N`
lets all that start later take it to be N weeks later for what is due; the clock of claims and letters stays
the real one. It ends with its input.

What the product waits minutes for is waited for here for a second or two; nothing else differs.
"""

import os
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings
from django.core.management import CommandError, call_command
from django.utils import timezone

from forecasting import leases
from forecasting.burn import runs
from forecasting.outbox import delivery
from forecasting.scheduler import celery_tasks
from shop.config.celery import app

LOOK_SECONDS = 1.5
LOOK_EXPIRES_SECONDS = 10
STALE = timedelta(seconds=1.2)
BEAT_SECONDS = 0.3
# Few consumables to a part, so that a small shop has several.
SERIES_PER_CHUNK = 6


class LaterClock:
    """Stands in for `timezone` where work asks what is due."""

    weeks = 0

    @classmethod
    def now(cls) -> datetime:
        """Return the real moment, some weeks later."""
        return timezone.now() + timedelta(weeks=cls.weeks)


def hurry() -> None:
    """Make waiting short in this process and those that it forks."""
    runs.SERIES_PER_CHUNK = SERIES_PER_CHUNK
    leases.STALE, leases.BEAT_SECONDS, leases.FIRST_PAUSE = STALE, BEAT_SECONDS, STALE
    delivery.FIRST_PAUSE = STALE
    celery_tasks.timezone = LaterClock  # type: ignore[assignment, attr-defined]
    settings.LOOK_EXPIRES_SECONDS = LOOK_EXPIRES_SECONDS
    app.conf.beat_schedule["look"].update(schedule=LOOK_SECONDS, options={"expires": LOOK_EXPIRES_SECONDS})


def work() -> None:
    """Be a worker."""
    quiet = ("--without-gossip", "--without-mingle", "--without-heartbeat", "--loglevel=CRITICAL")
    app.worker_main(["worker", "--pool=solo", f"--hostname=worker-{os.getpid()}", *quiet])


def tick() -> None:
    """Be a beat, with a schedule file of its own."""
    with tempfile.TemporaryDirectory(prefix="beat-") as folder:
        app.Beat(schedule=str(Path(folder) / "schedule"), loglevel="CRITICAL", quiet=True).run()


def do_what_is_due() -> None:
    """Run the command for one machine."""
    call_command("run_due", at=LaterClock.now())


def start(role: Callable[[], None]) -> int:
    """Fork a process that plays a role, and return its id."""
    child = os.fork()
    if child:
        return child
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    status = 1
    try:
        nowhere = os.open(os.devnull, os.O_RDWR)
        os.dup2(nowhere, sys.stdin.fileno())
        os.dup2(nowhere, sys.stdout.fileno())
        os.setsid()
        role()
        status = 0
    except CommandError as error:
        print(error, file=sys.stderr)
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def main() -> None:
    """Answer the lines of the test."""
    hurry()
    # A process that was killed is forgotten at once.
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    roles = {"worker": work, "beat": tick, "due": do_what_is_due}
    started = []
    for line in sys.stdin:
        word, _, number = line.strip().partition(" ")
        if word == "week":
            LaterClock.weeks = int(number)
            print(word, flush=True)
        else:
            started.append(start(roles[word]))
            print(started[-1], flush=True)
    # The tests have ended, however they did.
    for process in started:
        with suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)
