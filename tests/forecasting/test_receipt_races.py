"""A delivery received while another of the same order is corrected: neither loses, on both databases."""

import os
import subprocess
import sys

from tests.servers import PROJECT, migrated, run_manage


def test_receiving_and_correcting_at_once_wait_for_each_other_in_one_order(database_url: str) -> None:
    migrated(database_url)
    raced = subprocess.run(
        [sys.executable, "-m", "tests.forecasting.receipt_race"],
        cwd=PROJECT,
        env={**os.environ, "DATABASE_URL": database_url},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert raced.returncode == 0, raced.stderr[-4000:]
    run_manage(database_url, "check_ledger")
