"""The costing as the accountant takes it: a row per job, exact, in order, and read as a stream."""

import csv
import io
from datetime import date
from decimal import Decimal
from pathlib import Path
from types import GeneratorType

import pytest
from django.core.management import CommandError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.costing.costing_rows import HEADER, costing_rows
from shop.jobs.close_job import close_many
from tests.shop.world import (
    ALL_TIME,
    DISC,
    NOW,
    PAD,
    charge_overhead,
    close,
    closing_of,
    correct,
    export,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    run,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop(zone="Europe/Lisbon")


def test_a_row_says_all_of_a_job_with_four_decimals() -> None:
    pay("50")
    charge_overhead("1000", "3000", "0.25")
    receive("R-1", "2026-03-01", (DISC, "3", "10"), (PAD, "7", "100"))
    close("J-1", "2026-03-31 08:00", price=Decimal(80))
    close(
        "J-2",
        "2026-03-31 09:00",
        used(DISC, "1", "9"),
        used(PAD, "0", "20"),
        outcome="not removable",
        callback_of="J-1",
    )
    assert (
        *("job", "closed_at", "van", "technician", "job_type", "damage_type", "glass", "outcome"),
        *("callback_of", "revenue", "materials", "wear", "labour", "travel", "overhead"),
        *("contribution", "margin"),
    ) == HEADER
    _, row = export()
    assert row == {
        "job": "J-2",
        "closed_at": "2026-03-31T10:00:00+01:00",
        "van": "VAN-1",
        "technician": "ann",
        "job_type": "polish",
        "damage_type": "scratch",
        "glass": "tempered",
        "outcome": "not removable",
        "callback_of": "J-1",
        "revenue": "200.0000",
        # 10 / 3, and 100 / 7 by 20 / 300.
        "materials": "3.3333",
        "wear": "0.9524",
        "labour": "50.0000",
        "travel": "32.5000",
        "overhead": "20.0000",
        "contribution": "113.2143",
        "margin": "93.2143",
    }


def test_rows_come_by_closing_time_and_then_by_job() -> None:
    for job, moment in (("b", "2026-03-10 09:00"), ("c", "2026-03-09 09:00"), ("a", "2026-03-10 09:00")):
        close(job, moment)
    close("late", "2026-03-01")
    assert [row["job"] for row in export()] == ["late", "c", "a", "b"]


def test_a_period_without_jobs_is_a_header() -> None:
    close("J-1", "2026-03-10")
    assert export("2026-03-11", "2026-03-31") == []
    printed = run("export_costing", "--from", "2026-03-11", "--to", "2026-03-31")
    assert printed == ",".join(HEADER) + "\r\n"


def test_later_documents_of_a_job_are_in_its_row_or_in_that_of_the_month_they_post_to() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"))
    close("J-1", "2026-03-10", used(DISC, "4"))
    use_more("U-1", "J-1", used(DISC, "2"))
    give_back("B-1", "2026-04-02", ("close", "close-J-1"), (DISC, "1"))
    (march,), (april,) = export("2026-03-01", "2026-03-31"), export("2026-04-01", "2026-04-30")
    assert (march["revenue"], march["materials"]) == ("200.0000", "12.0000")
    assert (april["revenue"], april["materials"], april["margin"]) == ("0.0000", "-2.0000", "2.0000")
    assert april["closed_at"] == march["closed_at"]


def test_a_locked_month_exports_the_same_bytes_whatever_comes_late(tmp_path: Path) -> None:
    pay("50")
    receive("R-1", "2026-03-01", (DISC, "10", "20"), (PAD, "1", "30"))
    close("J-1", "2026-03-10", used(DISC, "4"), used(PAD, "1", "9"))
    close("J-2", "2026-03-11", used(DISC, "3"))
    close("J-3", "2026-03-12", callback_of="J-2", price=Decimal(0))
    use_more("U-1", "J-2", used(DISC, "1"))
    lock("2026-03-31 23:00")

    def march(name: str) -> bytes:
        out = tmp_path / name
        run("export_costing", "--from", "2026-03-01", "--to", "2026-03-31", "--out", str(out))
        return out.read_bytes()

    before = march("before.csv")
    assert before.count(b"\r\n") == 4
    receive("R-2", "2026-03-02", (DISC, "10", "99"), (PAD, "1", "300"))
    close("J-4", "2026-03-15", used(DISC, "2"), callback_of="J-1")
    use_more("U-2", "J-1", used(DISC, "1"), used(PAD, "0", "50"))
    give_back("B-1", "2026-03-16", ("close", "close-J-1"), (DISC, "1"))
    correct("K-1", "use", "U-1")
    correct("K-2", "close", "close-J-2")
    close("J-2", "2026-03-01", id="again", van="VAN-2", technician="bo", outcome="reduced", price=Decimal(9))
    correct("K-3", "close", "close-J-3")
    correct("K-4", "receipt", "R-1")
    assert march("after.csv") == before
    assert {row["job"] for row in export("2026-04-01", "2026-04-30")} == {"J-1", "J-2", "J-3", "J-4"}


def test_rows_are_read_as_they_are_asked_for() -> None:
    close_many([closing_of(f"J-{n:04}", "2026-03-10") for n in range(300)], now=NOW)
    with CaptureQueriesContext(connection) as captured:
        rows = costing_rows(*ALL_TIME)
        assert isinstance(rows, GeneratorType)
        assert len(captured) == 0
        assert next(rows)[0] == "J-0000"
        first = len(captured)
        assert [row[0] for row in rows] == [f"J-{n:04}" for n in range(1, 300)]
        assert len(captured) == first


def test_the_file_is_strict_csv() -> None:
    close("J-1", "2026-03-10", outcome="not removable")
    text = run("export_costing", "--from", "2026-03-01", "--to", "2026-03-31")
    assert list(csv.DictReader(io.StringIO(text), strict=True)) == export()


@pytest.mark.parametrize(
    ("period", "complaint"),
    [
        (("2026-03-31", "2026-03-01"), "--to 2026-03-01 is before --from 2026-03-31; swap them"),
        (("March", "2026-03-01"), "is not a date"),
        (("2026-03-01", "9999-12-31"), "outside the years"),
    ],
)
def test_a_period_that_makes_no_sense_is_explained(period: tuple[str, str], complaint: str) -> None:
    with pytest.raises(CommandError, match=complaint):
        run("export_costing", "--from", period[0], "--to", period[1])


def test_the_last_day_counts_whole() -> None:
    # In Lisbon 31 March ends at 23:00 UTC.
    close("in", "2026-03-31 22:59:59.999999")
    close("out", "2026-03-31 23:00")
    assert [row["job"] for row in export("2026-03-31", "2026-03-31")] == ["in"]
    assert len(list(costing_rows(date(2026, 4, 1), date(2026, 4, 1)))) == 1
