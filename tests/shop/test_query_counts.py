"""How many queries the daily work takes: the same with a short history as with a long one."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.costing.absorption import wear_absorption
from shop.costing.costing_rows import costing_rows
from shop.costing.standard_costs import material_lines
from shop.jobs.close_job import close_job, close_many
from shop.models import Job
from shop.profitability.margins import GROUPINGS, margin_report
from tests.shop.world import (
    ALL_TIME,
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    PAD,
    at,
    charge_overhead,
    closing_of,
    correct,
    give_back,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]
SHORT, LONG = 5, 500


def queries(work: Callable[[], object]) -> int:
    """Return how many queries `work` makes."""
    with CaptureQueriesContext(connection) as captured:
        work()
    return len(captured)


def work_for(jobs: int, from_: int = 0) -> None:
    """Close further jobs, an hour apart, each with four consumables; every tenth is a callback."""
    closes = [
        closing_of(
            f"J-{number}",
            (at("2026-03-02") + timedelta(hours=number)).isoformat(),
            *(used(DISC, "2", "15"), used(FINE_DISC, "1", "9"), used(COMPOUND, "7"), used(PAD, "0", "20")),
            callback_of=f"J-{number - 1}" if number % 10 == 9 else "",
        )
        for number in range(from_, jobs)
    ]
    for start in range(0, len(closes), 100):
        close_many(closes[start : start + 100], now=NOW)


def six_lines(job: str, moment: str) -> int:
    """Return the queries of closing a job with six lines, as a callback of an earlier one."""
    lines = (
        *(used(DISC, "2", "15"), used(FINE_DISC, "1", "9"), used(COMPOUND, "7"), used(PAD, "1", "20")),
        *(used(DISC, "1", "5"), used(COMPOUND, "3")),
    )
    return queries(lambda: close_job(closing_of(job, moment, *lines, callback_of="J-0"), now=NOW))


def measure(round_: str) -> dict[str, int]:
    """Return the queries of each piece of work, done once more in this round."""
    last = max(job.closed_at for job in Job.objects.all() if job.closed_at)
    new, late = f"new-{round_}", f"late-{round_}"
    # A dearer delivery, so that what comes late before it changes what jobs after it cost.
    dearer = ((DISC, "50", "500"), (FINE_DISC, "50", "500"), (COMPOUND, "50", "500"), (PAD, "5", "500"))
    receive(f"R-{round_}", (last - timedelta(hours=1)).isoformat(), *dearer)
    after = (last + timedelta(hours=1)).isoformat()
    counts = {
        "closing a job with 6 lines": six_lines(new, after),
        "closing it again": six_lines(new, after),
        "closing a job late": six_lines(late, (last - timedelta(hours=2, minutes=30)).isoformat()),
        "adding uses": queries(lambda: use_more(f"U-{round_}", new, used(DISC, "1"))),
        "returning a disc": queries(
            lambda: give_back(f"B-{round_}", after, ("close", f"close-{new}"), (DISC, "1"))
        ),
        "correcting a close": queries(lambda: correct(f"K-{round_}", "close", f"close-{late}")),
        "the export's first row": queries(lambda: next(costing_rows(*ALL_TIME))),
        "wear absorption": queries(wear_absorption),
        "material variances": queries(lambda: list(material_lines())),
    }
    for by in GROUPINGS:
        counts[f"margin by {by}"] = queries(lambda by=by: margin_report(by))  # type: ignore[misc]
        counts[f"lifetime margin by {by}"] = queries(
            lambda by=by: margin_report(by, lifetime=True)  # type: ignore[misc]
        )
    return counts


def test_history_costs_no_queries() -> None:
    open_shop()
    pay("60")
    charge_overhead("3000", "9000", "0.4")
    receive(
        "R-1",
        "2026-03-01",
        *((DISC, "2000", "2500"), (FINE_DISC, "999", "1234"), (COMPOUND, "9999", "500"), (PAD, "99", "900")),
    )
    work_for(SHORT)
    short = measure("short")
    work_for(LONG, SHORT)
    long = measure("long")
    for name, count in short.items():
        print(f"{name}: {count} queries with {SHORT} jobs of history, {long[name]} with {LONG}")
    assert long == short
    # PostgreSQL takes one more: the lock against changes of the period.
    lock = int(connection.vendor == "postgresql")
    assert short["closing a job with 6 lines"] == 34 + lock
    assert short["adding uses"] == 34 + lock
    assert max(count for name, count in short.items() if "margin by" in name) <= 3
