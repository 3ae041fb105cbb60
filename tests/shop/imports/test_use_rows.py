"""Rows of uses kept on disk come back by job, in the order of the file, however they are mixed."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.imports import use_rows
from shop.imports.use_rows import UseRow, UseRows

START = datetime(2026, 3, 1, tzinfo=UTC)
QUANTITIES = st.decimals(0, 10**9, places=4, allow_nan=False)


@given(st.lists(st.tuples(st.sampled_from("abcdé'"), QUANTITIES), max_size=40), st.integers(1, 7))
def test_rows_come_back_as_they_were_by_job_in_the_order_of_the_file(
    rows: list[tuple[str, Decimal]], at_once: int
) -> None:
    kept, by_job = UseRows(), defaultdict(list)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(use_rows, "ROWS_AT_ONCE", 3)
        for line, (job, quantity) in enumerate(rows, 2):
            row = UseRow(line, "disc", quantity, quantity / 2 // 1)
            kept.add(job, row)
            by_job[job].append(row)
        assert kept.count_jobs() == len(by_job)
        found = [pair for some in kept.jobs(at_once) for pair in some.items()]
    assert found == list(by_job.items())


def test_new_rows_come_in_the_order_in_which_their_jobs_were_closed() -> None:
    kept = UseRows()
    for line, (job, closed) in enumerate([("late", 5), ("b", 1), ("a", 1), ("waits", None), ("late", 5)], 2):
        row = UseRow(line, "disc", Decimal(line), Decimal(0))
        kept.add(job, row)
        kept.add_new(job, [row], None if closed is None else START + timedelta(hours=closed))
    assert [(job, [int(one.quantity) for one in lines]) for job, lines in kept.to_post()] == [
        ("a", [4]),
        ("b", [3]),
        ("late", [2, 6]),
    ]
    assert [job for job, _ in kept.to_keep()] == ["waits"]
    assert kept.count_new_jobs() == 3
