"""People who book at the same moment book each job once and take nobody's over, on both databases."""

import json

from tests.servers import run_race
from tests.shop.booking_race import PROCESSES, SAME, TAKEN


def test_of_bookings_at_the_same_moment_one_is_new_and_the_others_are_told(migrated_url: str) -> None:
    printed = run_race(migrated_url, "tests.shop.booking_race")
    others = PROCESSES - 1
    assert json.loads(printed) == {
        SAME: sorted(["new", *["already"] * others]),
        TAKEN: sorted(["new", *["another's"] * others]),
    }
