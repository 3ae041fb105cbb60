"""A long reading sees one moment, and holds no one up."""

import os
import subprocess
import sys


def test_a_snapshot_stays_the_same_while_others_write(database_url: str) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "tests.inventory.snapshot_reading"],
        env={**os.environ, "DATABASE_URL": database_url},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.split() == ["0", "0", "0", "1", "2"]
