"""A delivery received while another of the same order is corrected: neither loses, on both databases."""

from tests.servers import run_manage, run_race


def test_receiving_and_correcting_at_once_wait_for_each_other_in_one_order(migrated_url: str) -> None:
    run_race(migrated_url, "tests.forecasting.receipt_race")
    run_manage(migrated_url, "check_ledger")
