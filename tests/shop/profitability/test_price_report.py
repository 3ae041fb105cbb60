"""Prices of finished jobs from closed jobs: what counts as finished, and the command's file."""

import csv
from decimal import Decimal
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.models import Job, Outcome, Shop
from shop.profitability import margins
from shop.profitability.finished_price import FinishedPrice
from shop.profitability.margins import margin_report
from shop.profitability.price_report import price_report
from tests.shop.world import amounts, close, correct, open_shop, pay, run

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]


@pytest.fixture(autouse=True)
def _shop() -> None:
    """An hour's labour and half an hour's travel at 40 cost 60 a job; the target is 25%."""
    open_shop()
    pay("40")
    Shop.objects.update(target_margin_percent=25)


def trade() -> None:
    """Of scratches two are finished, one failed for a fee and one came back; a scuff is finished."""
    close("J-1", "2026-03-02", price=Decimal(100))
    close("J-2", "2026-03-03", price=Decimal(120), outcome=Outcome.REDUCED)
    close("J-3", "2026-03-04", price=Decimal(30), outcome=Outcome.NOT_REMOVABLE)
    close("J-4", "2026-03-05", price=Decimal(0), callback_of="J-1")
    close("J-5", "2026-04-02", price=Decimal(90), damage_type="scuff")


def test_finished_are_jobs_that_were_removed_or_reduced_and_no_callbacks() -> None:
    """Four scratches cost 240, of which 30 came in: 210 / 2 loses nothing, (240 / 0.75 - 30) / 2 = 145."""
    trade()
    found = price_report("damage_type")
    assert list(found) == ["scratch", "scuff"]
    scratch = found["scratch"]
    assert (scratch.jobs, scratch.finished, scratch.failed_share) == (4, 2, 0.25)
    assert (scratch.now, scratch.no_loss, scratch.for_target) == amounts(*map(Decimal, (110, 105, 145)))
    assert found["scuff"] == FinishedPrice(1, 1, 0, Decimal(90), Decimal(60), Decimal(80), None, None)


def test_a_callback_that_failed_is_a_failed_job() -> None:
    trade()
    close("J-6", "2026-03-06", price=Decimal(0), callback_of="J-2", outcome=Outcome.ABANDONED)
    assert price_report("damage_type")["scratch"].failed_share == 2 / 5


def test_what_was_undone_leaves_nothing() -> None:
    trade()
    before = price_report("month")
    close("J-7", "2026-05-02", price=Decimal(500))
    assert "2026-05" in price_report("month")
    correct("X-1", "close", "close-J-7")
    assert price_report("month") == before


def test_charged_to_finished_jobs_the_price_gives_the_target() -> None:
    trade()
    found = price_report("damage_type")
    for job in Job.objects.filter(outcome__in=("removed", "reduced"), callback_of=None):
        price = found[job.damage_type.code].for_target
        correct(f"X-{job}", "close", f"close-{job}")
        facts = {"outcome": job.outcome, "damage_type": job.damage_type.code, "price": price}
        assert job.closed_at
        close(job.reference, job.closed_at.isoformat(), id=f"again-{job}", **facts)
    for group in margin_report("damage_type"):
        assert group.ratio == pytest.approx(0.25, abs=0.005), group.label


def test_of_many_jobs_random_groups_are_resampled(monkeypatch: pytest.MonkeyPatch) -> None:
    trade()
    single = price_report("damage_type")["scratch"]
    monkeypatch.setattr(margins, "MOST_SINGLE_JOBS", 3)
    monkeypatch.setattr(margins, "RANDOM_GROUPS", 3)
    grouped = price_report("damage_type")["scratch"]
    assert grouped.for_target == single.for_target
    assert (grouped.jobs, grouped.finished, grouped.failed) == (single.jobs, single.finished, single.failed)


def test_it_takes_as_many_queries_for_many_groups_as_for_one() -> None:
    close("J-0", "2026-03-01")
    with CaptureQueriesContext(connection) as one:
        price_report("job")
    trade()
    with CaptureQueriesContext(connection) as five:
        price_report("job")
    assert len(one) == len(five)


def test_the_command_writes_a_file_a_row_for_each_group_of_a_period(tmp_path: Path) -> None:
    trade()
    out = tmp_path / "prices.csv"
    assert run("prices", "--from", "2026-03-01", "--to", "2026-03-31", "--out", str(out)) == ""
    assert out.read_text() == (
        "group,jobs,finished,failed_share,price_now,price_no_loss,price_for_target,price_low,price_high\r\n"
        "scratch,4,2,0.2500,110.00,105.00,145.00,,\r\n"
    ).replace("\r\n", "\n")
    printed = list(csv.DictReader(StringIO(run("prices", "--by", "month"))))
    assert [row["group"] for row in printed] == ["2026-03", "2026-04"]


def test_without_jobs_there_is_a_header_alone() -> None:
    assert run("prices").count("\n") == 1


def test_a_period_that_ends_before_it_starts_is_refused() -> None:
    with pytest.raises(CommandError, match="2026-02-01"):
        run("prices", "--from", "2026-03-01", "--to", "2026-02-01")
