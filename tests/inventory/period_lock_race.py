"""Posts while the lock changes, on the PostgreSQL database of DATABASE_URL; run by test_period_lock_race.

Prints as JSON who had to wait for whom, and when what was posted last counts.
"""

import json
import os
import threading
import time
from collections.abc import Callable

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
django.setup()

from django.db import connection, transaction  # noqa: E402 - needs the setup above
from django.db.models.signals import pre_save  # noqa: E402

from inventory import ledger  # noqa: E402
from inventory.ledger.period_lock import change_lock, open_from  # noqa: E402
from inventory.models import Document, PeriodChange  # noqa: E402
from tests.factories import COMPOUND, DISC, NOW, PAD, at, make_shop, receipt  # noqa: E402

WAITING = """
SELECT count(*) FROM pg_locks
WHERE locktype = 'advisory' AND NOT granted
AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
"""


def lock(day: float) -> None:
    """Lock the books up to a day."""
    change_lock(at(day), reason="month end", by="owner", now=NOW)


def post(id_: str, consumable: str) -> None:
    """Post a receipt of the first day."""
    ledger.post(receipt(id_, 1, (consumable, 1, 1)), now=NOW)


def elsewhere(act: Callable[[], object]) -> threading.Thread:
    """Return a thread that is to do this over a connection of its own."""

    def work() -> None:
        act()
        connection.close()

    return threading.Thread(target=work)


def is_held_up(thread: threading.Thread) -> bool:
    """Start the thread, and return whether it comes to wait before it ends."""
    thread.start()
    while thread.is_alive():
        with connection.cursor() as cursor:
            cursor.execute(WAITING)
            if cursor.fetchone() != (0,):
                return True
        time.sleep(0.01)
    return False


def waits(first: Callable[[], object], then: Callable[[], object]) -> bool:
    """Do `first` in a transaction, and return whether `then`, from elsewhere, waits for its end."""
    thread = elsewhere(then)
    with transaction.atomic():
        first()
        has_waited = is_held_up(thread)
    thread.join()
    return has_waited


def waits_for_locking(day: float, then: Callable[[], object]) -> bool:
    """Lock up to a day, and return whether `then`, begun before that is written, waits until it is."""
    thread = elsewhere(then)
    found = []

    def before_it_is_written(**_: object) -> None:
        found.append(is_held_up(thread))

    pre_save.connect(before_it_is_written, sender=PeriodChange)
    lock(day)
    pre_save.disconnect(before_it_is_written, sender=PeriodChange)
    thread.join()
    return found == [True]


def main() -> None:
    """Make a shop and print who waits."""
    make_shop()
    found: dict[str, object] = {
        "a change of the lock for a posting": waits(lambda: post("R-1", DISC), lambda: lock(10)),
        "a posting for another one": waits(lambda: post("R-2", DISC), lambda: post("R-3", PAD)),
        "a reader for a change of the lock": waits(lambda: lock(20), open_from),
        "a posting for a change of the lock": waits_for_locking(30, lambda: post("R-4", COMPOUND)),
    }
    found["counts on"] = Document.objects.get(client_id="R-4").posted_at.isoformat()
    print(json.dumps(found))


if __name__ == "__main__":
    main()
