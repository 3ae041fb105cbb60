"""The accountant's desk: locking and reopening, reconciliation to the last digit."""

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
from shop.accounting.periods import Period
from shop.models import JobCost, Role
from tests.shop.desk_pages import Desk, client, desk, said, send
from tests.shop.test_query_counts import queries
from tests.shop.web.accounting.two_months import APRIL, MARCH, open_two_months, query
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    at,
    close,
    receive,
    used,
)

pytestmark = pytest.mark.django_db
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
    open_two_months()


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
    assert "Nothing dated up to 2026-04-30 changes after that" in said(asked)
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
