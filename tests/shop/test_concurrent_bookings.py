"""People who book at the same moment book each job once and take nobody's over, on both databases."""

import json
import os
import subprocess
import sys

from tests.servers import PROJECT, migrated
from tests.shop.booking_race import PROCESSES, SAME, TAKEN


def test_of_bookings_at_the_same_moment_one_is_new_and_the_others_are_told(database_url: str) -> None:
    migrated(database_url)
    raced = subprocess.run(
        [sys.executable, "-m", "tests.shop.booking_race"],
        cwd=PROJECT,
        env={**os.environ, "DATABASE_URL": database_url},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert raced.returncode == 0, raced.stderr[-4000:]
    others = PROCESSES - 1
    assert json.loads(raced.stdout) == {
        SAME: sorted(["new", *["already"] * others]),
        TAKEN: sorted(["new", *["another's"] * others]),
    }
