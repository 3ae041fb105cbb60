"""Nobody posts into a period while it is being locked; on SQLite one writes at a time anyway."""

import json

from tests.factories import at
from tests.servers import run_race


def test_postings_and_changes_of_the_lock_wait_for_each_other_and_nobody_else_does(
    migrated_postgres_url: str,
) -> None:
    assert json.loads(run_race(migrated_postgres_url, "tests.inventory.period_lock_race")) == {
        "a change of the lock for a posting": True,
        "a posting for another one": False,
        "a reader for a change of the lock": False,
        "a posting for a change of the lock": True,
        "counts on": at(30).isoformat(),
    }
