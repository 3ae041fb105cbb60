"""The files that the accountant exports: they agree with the commands, the pages and the jobs."""

import csv
import io
from decimal import Decimal

import pytest

from shop.accounting.period_reconciliation import (
    reconcile_period,
    total_of,
)
from shop.costing.costing_rows import HEADER
from shop.models import JobCost, Role
from shop.profitability.margins import GROUPINGS
from shop.web.grouping_form import GROUPS
from tests.shop.desk_pages import client, desk
from tests.shop.web.accounting.two_months import MARCH, open_two_months, query
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    at,
    close,
    correct,
    run,
    used,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_two_months()


def rows_of(path: str, role: Role = Role.ACCOUNTANT) -> list[dict[str, str]]:
    answer = client(role).get(path)
    assert answer.status_code == 200
    assert answer.streaming
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert answer["Content-Disposition"].startswith('attachment; filename="')
    text = b"".join(answer).decode()
    assert "\r\n" in text
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_the_costing_file_is_what_the_command_exports() -> None:
    rows = rows_of(f"/accounts/exports/costing.csv?{query(MARCH)}")
    printed = run("export_costing", "--from", "2026-03-01", "--to", "2026-03-31")
    assert rows == list(csv.DictReader(io.StringIO(printed)))
    assert tuple(rows[0]) == HEADER
    posted = sum(cost.materials for cost in JobCost.objects.filter(posted_at__lt=at("2026-04-01")))
    assert sum(Decimal(row["materials"]) for row in rows) == posted
    everything = rows_of("/accounts/exports/costing.csv?period=all+time")
    assert sum(Decimal(row["materials"]) for row in everything) == sum(
        cost.materials for cost in JobCost.objects.all()
    )


def test_the_stock_file_is_what_the_command_exports_and_worth_what_the_page_says() -> None:
    rows = rows_of(f"/accounts/exports/stock.csv?{query(MARCH)}")
    assert rows == list(csv.DictReader(io.StringIO(run("export_stock", "--at", "2026-03-31"))))
    assert (
        sum(Decimal(row["value"]) for row in rows) == total_of(reconcile_period(MARCH).values()).closing_stock
    )


@pytest.mark.parametrize("by", GROUPS)
def test_the_margins_file_adds_up_to_the_jobs(by: str) -> None:
    rows = rows_of(f"/accounts/exports/margins.csv?period=all+time&by={by}&lifetime=on")
    costs = list(JobCost.objects.all())
    assert sum(Decimal(row["revenue"]) for row in rows) == sum(cost.revenue for cost in costs)
    assert sum(int(row["jobs"]) for row in rows) == sum(cost.jobs for cost in costs)
    assert set(GROUPS) == set(GROUPINGS) - {"job"}


def test_the_variances_files_have_a_row_for_each_line_of_the_reports() -> None:
    materials = rows_of("/accounts/exports/material-variances.csv?period=all+time")
    assert {row["consumable"] for row in materials} == {DISC, FINE_DISC, COMPOUND}
    labour = rows_of("/accounts/exports/labour-variances.csv?period=all+time")
    assert [row["job_type"] for row in labour] == ["polish"]
    assert labour[0]["rate_variance"] == "0.0000"


def test_a_file_of_nothing_has_its_header_only() -> None:
    for name in ("costing", "stock", "margins", "material-variances", "labour-variances"):
        assert rows_of(f"/accounts/exports/{name}.csv?start=2020-01-01&end=2020-01-31") == []


def test_a_file_that_is_none_and_a_period_that_is_none_are_told_so() -> None:
    assert client().get("/accounts/exports/secrets.csv").status_code == 404
    answer = client().get("/accounts/exports/costing.csv?start=2026-05-01&end=2026-04-01")
    assert answer.status_code == 400
    assert "is before the first" in answer.content.decode()


def test_a_locked_month_exports_the_same_after_later_documents() -> None:
    before = {name: rows_of(f"/accounts/exports/{name}.csv?{query(MARCH)}") for name in ("costing", "stock")}
    close("J-late", "2026-03-30", used(DISC, "3"))
    correct("K-2", "close", "close-J-2")
    assert before == {
        name: rows_of(f"/accounts/exports/{name}.csv?{query(MARCH)}") for name in ("costing", "stock")
    }


def test_the_exports_page_leads_to_every_file_of_its_period() -> None:
    page = desk(f"/accounts/exports/?{query(MARCH)}&by=technician", Role.ACCOUNTANT)
    files = [href for href in page.hrefs if ".csv" in href]
    assert len(files) == 5
    for href in files:
        assert rows_of(href)
