"""The accountant's desk: locking and reopening, reconciliation to the last digit, and exports."""

import csv
import io
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from inventory import documents, ledger
from inventory.integrity.value_reconciliation import reconcile, total
from inventory.ledger import Conflict
from inventory.ledger.period_lock import open_from
from inventory.models import CostAdjustment, CostPool, MovementValue, PeriodChange, RefusedDocument
from shop.accounting.period_reconciliation import (
    Part,
    late_documents,
    movements_of,
    open_provisional,
    reconcile_period,
    total_of,
)
from shop.accounting.periods import Period, month_of
from shop.costing.costing_rows import HEADER
from shop.models import JobCost, Role
from shop.profitability.margins import GROUPINGS
from shop.web.grouping_form import GROUPS
from tests.shop.desk_pages import Desk, client, desk, said, send
from tests.shop.test_query_counts import queries
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    PAD,
    at,
    charge_overhead,
    close,
    correct,
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
MARCH, APRIL = month_of(date(2026, 3, 1)), month_of(date(2026, 4, 1))
PERIODS = (
    Period(),
    MARCH,
    APRIL,
    Period(end=date(2026, 3, 10)),
    Period(start=date(2026, 3, 11)),
    Period(date(2020, 1, 1), date(2020, 1, 31)),
)
ZERO = Decimal(0)


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    """Start with two months of every kind of movement; some of March comes after it was locked."""
    open_shop()
    pay("60")
    charge_overhead("3000", "9000", "0.4")
    receive(
        "R-1", "2026-03-01", (DISC, "33", "100"), (COMPOUND, "1000", "80"), (PAD, "4", "61"), freight="7.77"
    )
    close("J-1", "2026-03-02", used(DISC, "3", "20"), used(PAD, "1", "25"), used(COMPOUND, "41"))
    close("J-2", "2026-03-05", used(FINE_DISC, "4", "30"), technician="bo", damage_type="scuff")
    give_back("B-1", "2026-03-06", ("close", "close-J-1"), (DISC, "1"))
    lines = (documents.StockLine(COMPOUND, Decimal(100)),)
    ledger.post(documents.Scrap("S-1", at("2026-03-08"), "DEPOT", "dried out", lines), now=NOW)
    found = (
        documents.CountedLine("DEPOT", DISC, Decimal(30)),
        documents.CountedLine("VAN-1", DISC, Decimal(2)),
    )
    ledger.post(documents.Count("N-1", at("2026-03-10"), found), now=NOW)
    receive("R-2", "2026-03-20", (FINE_DISC, "3", "10"), (DISC, "10", "44"))
    close("J-3", "2026-03-25", used(DISC, "2"))
    lock("2026-04-01")
    close("J-4", "2026-03-28", used(DISC, "5"), used(PAD, "0", "40"))
    correct("K-3", "close", "close-J-3")
    receive("R-3", "2026-04-02", (FINE_DISC, "10", "41"))
    use_more("U-1", "J-4", used(FINE_DISC, "15"))
    correct("K-R", "receipt", "R-2")


@pytest.mark.parametrize("period", PERIODS, ids=str)
def test_every_period_is_reconciled_to_the_last_digit(period: Period) -> None:
    found = reconcile_period(period)
    assert all(each.unexplained == 0 for each in found.values())
    whole = total_of(found.values())
    costs = [cost.materials for cost in JobCost.objects.all() if is_in(period, cost.posted_at)]
    assert whole.job_materials == sum(costs, ZERO)
    for part, amount in (
        (Part.RECEIPTS, whole.receipts),
        (Part.MATERIALS, whole.job_materials),
        (Part.PARTS, whole.wear_parts),
        (Part.LOSSES, whole.losses),
        (Part.SCRAP, whole.scrap),
    ):
        page = desk(f"/accounts/movements/?{query(period)}&part={part}")
        rows = [row for row in page.tables[0] if row["Document"] != "All"] if page.tables else []
        assert len(rows) == movements_of(part, period).count()
        assert sum((amount_of(row["Value"].split()[0]) for row in rows), ZERO) == amount
        if rows:
            assert amount_of(page.row("All")["Value"]) == amount


def is_in(period: Period, moment: Any) -> bool:
    day = moment.date()
    return (period.start is None or period.start <= day) and (period.end is None or day <= period.end)


def query(period: Period) -> str:
    if period == Period():
        return "period=all+time"
    return f"start={period.start or ''}&end={period.end or ''}"


def amount_of(text: str) -> Decimal:
    return Decimal(text.replace(",", "").replace("\N{MINUS SIGN}", "-"))


def test_all_time_agrees_with_the_check_of_the_whole_ledger() -> None:
    whole, ledger_total = total_of(reconcile_period(Period()).values()), total(reconcile())
    assert whole.job_materials + whole.wear_parts == ledger_total.job_costs
    for name in ("receipts", "losses", "scrap", "adjustments", "closing_stock"):
        assert getattr(whole, name) == getattr(ledger_total, name)
        assert getattr(whole, name) != 0
    assert whole.opening_stock == 0


def test_the_stock_at_the_end_of_a_month_is_that_at_the_start_of_the_next() -> None:
    march, april = reconcile_period(MARCH), reconcile_period(APRIL)
    for code, each in april.items():
        assert each.opening_stock == march[code].closing_stock
    assert march[DISC].closing_stock != 0


def test_the_page_shows_the_identity_and_that_nothing_is_unexplained() -> None:
    page = desk(f"/accounts/reconciliation/?{query(MARCH)}")
    whole = total_of(reconcile_period(MARCH).values())
    assert "Everything agrees." in page.text
    assert amount_of(page.row("Receipts")["Amount"]) == whole.receipts
    assert amount_of(page.row("Change of stock")["Amount"]) == whole.change_of_stock
    assert page.row("Unexplained")["Amount"] == "0.0000 proven"
    assert {row["Difference"] for row in page.tables[1]} == {"0.0000 agree"}
    assert len(page.tables[1]) == 5
    assert page.row("Wear", table=2)["That is"] in ("over-absorbed", "under-absorbed")
    assert page.row("All", table=4)["Unexplained"] == "0.0000"


def test_what_agrees_looks_otherwise_than_what_needs_a_look() -> None:
    html = client().get(f"/accounts/reconciliation/?{query(MARCH)}").content.decode()
    assert '<span class="tag good">proven</span>' in html
    assert html.count('<span class="tag good">agree</span>') == 5


def test_the_columns_by_consumable_add_up_to_the_last_digit_shown() -> None:
    page = desk(f"/accounts/reconciliation/?{query(MARCH)}")
    *rows, everything = page.tables[4]
    for column in ("Receipts", "Materials", "Stock before", "Stock after"):
        assert sum(amount_of(row[column]) for row in rows) == amount_of(everything[column])
    wear = page.row("Wear", table=2)
    assert amount_of(wear["Charged"]) - amount_of(wear["Spent"]) == amount_of(wear["Balance"])


def test_overhead_is_compared_with_what_was_really_spent() -> None:
    charged = sum(cost.overhead for cost in JobCost.objects.all())
    page = desk(f"/accounts/reconciliation/?period=all+time&overhead={charged + 1}")
    row = page.row("Overhead", table=2)
    assert (row["Balance"], row["That is"]) == ("\N{MINUS SIGN}1.0000", "under-absorbed")
    assert "greater than or equal" in desk("/accounts/reconciliation/?overhead=-1").text


@pytest.mark.parametrize("damage", ["a value", "a pool", "a job cost", "an adjustment"])
def test_what_does_not_agree_is_said_and_not_hidden(damage: str) -> None:
    if damage == "a value":
        value = MovementValue.objects.filter(value__gt=1, movement__posted_at__lt=at("2026-04-01")).first()
        assert value is not None
        MovementValue.objects.filter(pk=value.pk).update(value=value.value - Decimal("0.0001"))
    elif damage == "a pool":
        pool = CostPool.objects.get(consumable__code=COMPOUND)
        assert pool.state is not None
        quantity, value_ = pool.state["layers"][0]
        pool.state["layers"][0] = [quantity, str(Decimal(value_) + Decimal("0.0001"))]
        pool.save()
    elif damage == "a job cost":
        JobCost.objects.filter(job__reference="J-1", jobs=1).update(materials=Decimal("0.0001"))
    else:
        CostAdjustment.objects.update(actual=Decimal("0.0001"))
    assert "The books do not agree" in desk("/accounts/reconciliation/?period=all+time").text


def test_uses_that_wait_for_a_receipt_are_listed_until_it_comes() -> None:
    waiting = open_provisional(Period())
    # 15 and the 3 of the receipt that was undone were taken, of the 9 that were left of 13.
    assert {row.consumable.code for row, _, _ in waiting} == {FINE_DISC}
    assert sum(quantity for _, quantity, _ in waiting) == 9
    page = desk("/accounts/provisional/?period=all+time")
    assert [row["Waits"] for row in page.tables[0]] == ["6 each", "3 each"]
    assert open_provisional(MARCH) == []
    receive("R-9", "2026-11-01", (FINE_DISC, "20", "80"))
    assert open_provisional(Period()) == []
    assert "No value is provisional." in desk("/accounts/provisional/?period=all+time").text
    settled = desk("/accounts/adjustments/?period=all+time")
    sums = total_of(reconcile_period(Period()).values()).adjustments
    assert amount_of(settled.row("All")["Adjustment"]) == sums


def test_documents_that_came_after_the_lock_are_listed_where_they_count() -> None:
    assert [str(document) for document in late_documents(MARCH)] == []
    late = {str(document) for document in late_documents(APRIL)}
    assert "close close-J-4" in late
    page = desk(f"/accounts/late/?{query(APRIL)}")
    row = page.row("close close-J-4")
    assert (row["Happened"], row["Counts from"]) == ("2026-03-28 00:00", "2026-04-01 00:00")
    assert "No document came late" in desk(f"/accounts/late/?{query(MARCH)}").text


def refuse() -> RefusedDocument:
    """Keep a receipt under the id of another one, as the ledger does outside of a test's transaction."""
    lines = (documents.ReceiptLine(DISC, Decimal(77), Decimal(100)),)
    receipt = documents.Receipt("R-1", at("2026-03-01"), "SUP", "DEPOT", lines)
    with pytest.raises(Conflict) as conflict:
        ledger.post(receipt, now=NOW)
    return RefusedDocument.objects.create(
        kind=receipt.kind,
        client_id=receipt.id,
        content=documents.content(receipt),
        reason=str(conflict.value),
        refused_at=NOW,
        refused_by="sue",
    )


def test_a_refused_document_is_shown_beside_what_stands_and_settled_and_taken_back() -> None:
    found = refuse()
    assert "receipt R-1" in desk("/accounts/refused/").text
    assert desk("/accounts/reconciliation/").row("Refused", table=3)["How many"] == "1"
    page = desk(f"/accounts/refused/{found.pk}/", Role.ACCOUNTANT)
    assert '"77"' in page.text
    assert '"33"' in page.text
    assert "is settled" in said(send(f"/accounts/refused/{found.pk}/", Role.ACCOUNTANT))
    assert "No refused document waits." in desk("/accounts/refused/").text
    assert "receipt R-1" in desk("/accounts/refused/?show=all").text
    send(f"/accounts/refused/{found.pk}/", Role.OWNER, again="1")
    assert RefusedDocument.objects.get().resolved_at is None


def test_locking_says_first_what_it_means_and_what_is_not_settled() -> None:
    refuse()
    asked = send("/accounts/lock/", Role.ACCOUNTANT, day="2026-04-30", reason="April handed in")
    assert "Nothing dated up to 2026-04-30 changes any more" in said(asked)
    assert "1 refused document" in said(asked)
    assert "2 uses still wait" in said(asked)
    assert open_from() == at("2026-04-01")
    done = send("/accounts/lock/", Role.ACCOUNTANT, day="2026-04-30", reason="April handed in", sure="on")
    assert "locked through 2026-04-30" in said(done)
    assert open_from() == at("2026-05-01")
    change = PeriodChange.objects.last()
    assert change is not None
    assert (change.reason, change.changed_by) == ("April handed in", "the-accountant")
    page = desk("/accounts/")
    assert "locked through 2026-04-30" in page.text
    assert page.row("2026-04")["State"] == "locked"
    again = send("/accounts/lock/", Role.ACCOUNTANT, day="2026-04-30", reason="", sure="on")
    assert "already" in said(again)
    assert PeriodChange.objects.count() == 2


@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        ({"day": "2026-03-15"}, "locked beyond 2026-03-15 already"),
        ({"day": "2099-12-31"}, "has not ended yet"),
        ({"day": "1000-01-01"}, "outside the years"),
        ({"day": ""}, "This field is required."),
        ({"day": "soon"}, "Enter a valid date."),
        ({"reason": "x" * 501}, "longer than 500"),
    ],
)
def test_a_lock_that_makes_no_sense_is_refused_with_the_reason(fields: dict[str, str], problem: str) -> None:
    given = {"day": "2026-04-30", "reason": "", **fields}
    answer = send("/accounts/lock/", Role.ACCOUNTANT, **given, sure="on")
    assert answer.status_code == 400
    assert problem in said(answer)
    assert PeriodChange.objects.count() == 1


def test_reopening_needs_a_reason_and_says_what_it_means() -> None:
    assert "This field is required." in said(send("/accounts/reopen/", day="2026-03-15", reason=" "))
    asked = send("/accounts/reopen/", day="2026-03-15", reason="A receipt was forgotten")
    assert "Figures from 2026-03-15 on may change again" in said(asked)
    assert open_from() == at("2026-04-01")
    done = send("/accounts/reopen/", day="2026-03-15", reason="A receipt was forgotten", sure="on")
    assert "open from 2026-03-15 on" in said(done)
    assert open_from() == at("2026-03-15")
    page = desk("/accounts/")
    assert page.row("2026-03")["State"] == "locked in part"
    assert page.tables[1][0]["Reason"] == "A receipt was forgotten"
    refused = send("/accounts/reopen/", day="2026-03-15", reason="again", sure="on")
    assert "nothing to reopen" in said(refused)
    assert refused.status_code == 400


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


def test_an_empty_shop_reconciles_to_nothing() -> None:
    page = desk("/accounts/reconciliation/?start=2020-01-01&end=2020-01-31")
    assert page.row("Receipts")["Amount"] == "0.0000"
    assert "Everything agrees." in page.text


def test_the_number_of_queries_does_not_depend_on_the_history() -> None:
    browser = client()
    pages = (
        "",
        "reconciliation/",
        "movements/",
        "adjustments/",
        "stock/",
        "provisional/",
        "late/",
        "refused/",
    )
    files = ("costing", "stock", "margins")

    def counts() -> dict[str, int]:
        found = {
            page: queries(lambda page=page: browser.get(f"/accounts/{page}?period=all+time"))  # type: ignore[misc]
            for page in pages
        }
        for name in files:
            path = f"/accounts/exports/{name}.csv?period=all+time"
            found[name] = queries(
                lambda path=path: b"".join(browser.get(path))  # type: ignore[misc]
            )
        return found

    before = counts()
    for number in range(30):
        close(f"K-{number}", f"2026-04-{number % 28 + 1:02}", used(DISC, "1"), used(FINE_DISC, "1"))
    receive("R-8", "2026-05-01", (FINE_DISC, "5", "20"), (DISC, "5", "20"))
    assert counts() == before
    assert max(before.values()) < 40


def test_only_owner_and_accountant_come_here() -> None:
    found = refuse()
    for role in (Role.STOREKEEPER, Role.TECHNICIAN):
        browser = client(role)
        for path in (
            "",
            "lock/",
            "reopen/",
            "reconciliation/",
            "exports/",
            "exports/costing.csv",
            f"refused/{found.pk}/",
        ):
            assert browser.get(f"/accounts/{path}").status_code == 403
        for path in ("lock/", "reopen/", f"refused/{found.pk}/"):
            assert browser.post(f"/accounts/{path}", {"day": "2026-10-31", "sure": "on"}).status_code == 403
    assert PeriodChange.objects.count() == 1
    assert RefusedDocument.objects.get().resolved_at is None
    assert isinstance(desk("/accounts/", Role.OWNER), Desk)
    assert timezone.now() > at("2026-04-01")
