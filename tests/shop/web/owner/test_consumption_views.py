"""Target prices, consumption against standard, and what counts found missing."""

from datetime import date
from decimal import Decimal

import pytest

from inventory import documents, ledger
from inventory.models import Books, Place, PlaceKind
from shop.accounting.periods import Period
from shop.accounting.shrinkage import FoundMissing, counted_in, differing, missing_by_month
from shop.costing.standard_costs import CONSUMPTION_BY, consumption_lines, material_lines
from shop.models import CountExplanation, DifferenceCause, Outcome, Role, Shop
from tests.shop.desk_pages import client, desk
from tests.shop.test_query_counts import queries
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    PAD,
    amounts,
    at,
    charge_overhead,
    close,
    correct,
    expect,
    give_back,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db
YEAR = "start=2026-01-01&end=2026-12-31"


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    pay("60")
    charge_overhead("3000", "9000")
    Shop.objects.update(target_margin_percent=30)
    receive("R-1", "2026-03-01", (DISC, "100", "250"), (COMPOUND, "1000", "80"), (PAD, "9", "90"))
    receive("R-2", "2026-03-01", (DISC, "20", "50"), (FINE_DISC, "50", "60"), place="VAN-1")


def count(id_: str, moment: str, *found: tuple[str, str], place: str = "VAN-1") -> None:
    lines = tuple(documents.CountedLine(place, code, Decimal(quantity)) for code, quantity in found)
    ledger.post(documents.Count(id_, at(moment), lines), now=NOW)


def test_a_loss_says_the_price_and_the_savings_that_reach_the_target() -> None:
    """One job at 50: materials 4 x 2.50, labour 60, travel 30, overhead 20; 120 / 0.7 = 171.43."""
    close("J-1", "2026-03-02", used(DISC, "4"), price=Decimal(50))
    close("J-2", "2026-03-02", used(DISC, "1"), price=Decimal(400), damage_type="scuff")
    page = desk(f"/owner/losses/?{YEAR}")
    assert [row["Damage type"].split()[0] for row in page.tables[0]] == ["scratch"]
    row = page.row("scratch")
    assert "few jobs" in row["Damage type"]
    assert "loses money" in row["Damage type"]
    assert row["Margin"] == "\N{MINUS SIGN}70.00"
    assert row["Short of target"] == "85.00"
    assert row["Mean price"] == "50.00"
    assert row["Price without loss"] == "120.00"
    assert row["Price for the target"] == "171.43"
    assert row["Or materials and wear less by"] == "not enough"
    assert row["Or other costs less by"] == "77.3%"
    assert "J-1" in desk(page.href("group=scratch")).text


def test_finished_jobs_carry_what_failed_ones_cost() -> None:
    """A failed job costs 120 more and pays 20: (240 / 0.7 - 20) / 1 = 322.86; 220 loses nothing."""
    close("J-1", "2026-03-02", used(DISC, "4"), price=Decimal(50))
    close("J-2", "2026-03-03", used(DISC, "4"), price=Decimal(20), outcome=Outcome.NOT_REMOVABLE)
    row = desk(f"/owner/losses/?{YEAR}").row("scratch")
    assert (row["Finished"], row["Mean price"]) == ("1 1 failed", "50.00")
    assert (row["Price without loss"], row["Price for the target"]) == ("220.00", "322.86")


def test_when_every_kind_reaches_the_target_that_is_said() -> None:
    close("J-2", "2026-03-02", used(DISC, "1"), price=Decimal(400))
    assert "reaches the target of 30%" in desk(f"/owner/losses/?{YEAR}").text


def test_a_price_in_yen_is_whole() -> None:
    Books.objects.update(minor_unit_digits=0)
    close("J-1", "2026-03-02", used(DISC, "4"), price=Decimal(50))
    assert desk(f"/owner/losses/?{YEAR}").row("scratch")["Price for the target"] == "172"


def test_consumption_against_standard_by_technician_over_several_job_types() -> None:
    expect(DISC, "3")
    expect(DISC, "1", job_type="regrind")
    close("J-1", "2026-03-02", used(DISC, "6"))
    close("J-2", "2026-03-03", used(DISC, "2", spoilt="1"), job_type="regrind")
    close("J-3", "2026-03-04", used(DISC, "3"), technician="bo")
    page = desk(f"/owner/consumption/?{YEAR}")
    ann, bo = page.row("ann"), page.row("bo")
    assert (ann["Used"], ann["Standard"], ann["Jobs"], ann["Spoilt"]) == ("8 each", "4 each", "2", "1")
    assert ann["Above standard"] == "100.0% 4 each"
    assert (ann["By price"], ann["By quantity"]) == ("4.00 U", "8.00 U")
    assert bo["Above standard"] == "0.0% 0 each"
    assert [
        row["Technician"].split()[0] for row in desk(f"/owner/consumption/?{YEAR}&over=on").tables[0]
    ] == ["ann"]
    assert "No consumption fits." in desk(f"/owner/consumption/?{YEAR}&grade=P999").text
    assert len(desk(f"/owner/consumption/?{YEAR}&grade=p400").tables[0]) == 2


def test_what_was_spoilt_by_a_close_that_was_undone_is_not_shown() -> None:
    expect(DISC, "3")
    close("J-1", "2026-03-02", used(DISC, "6", spoilt="2"))
    close("J-2", "2026-03-02", used(DISC, "1", spoilt="1"))
    correct("K-1", "close", "close-J-1")
    assert desk(f"/owner/consumption/?{YEAR}").row("ann")["Spoilt"] == "1"


def test_without_a_standard_cost_there_is_no_variance() -> None:
    expect(DISC, "3", cost=None)
    close("J-1", "2026-03-02", used(DISC, "6"))
    page = desk(f"/owner/consumption/?{YEAR}&by=job_type")
    assert page.row("polish")["By price"] == "no standard cost"
    assert page.row("polish", table=1)["Minutes"] == "60"


@pytest.mark.parametrize("by", CONSUMPTION_BY)
def test_consumption_adds_up_to_the_same_whichever_way_it_is_grouped(by: str) -> None:
    expect(DISC, "3")
    expect(COMPOUND, "20", job_type="regrind")
    close("J-1", "2026-03-02", used(DISC, "6"), used(PAD, "1", "30"))
    close("J-2", "2026-03-03", used(DISC, "2"), technician="bo", job_type="regrind", damage_type="scuff")
    use_more("U-1", "J-2", used(COMPOUND, "33"))
    give_back("B-1", "2026-03-05", ("close", "close-J-1"), (DISC, "1"))
    lines, expected = list(consumption_lines(by)), list(material_lines())
    for name in ("actual_quantity", "standard_quantity", "actual_cost"):
        assert sum(getattr(line, name) for line in lines) == sum(getattr(line, name) for line in expected)


def test_what_counts_found_missing_stands_beside_what_jobs_logged() -> None:
    close("J-1", "2026-03-02", used(DISC, "6"))
    close("J-2", "2026-04-02", used(DISC, "4"))
    give_back("B-1", "2026-03-03", ("close", "close-J-1"), (DISC, "1"))
    count("N-1", "2026-03-10", (DISC, "12"), (FINE_DISC, "50"))
    count("N-2", "2026-04-10", (DISC, "6"), (FINE_DISC, "51"))
    rows = {row.consumable: row for row in FoundMissing(Period(date(2026, 3, 1), date(2026, 4, 30)))}
    disc, fine = rows[DISC], rows[FINE_DISC]
    # 20 less 6 leaves 14, 12 are found; 12 less 4 leaves 8, 6 are found. What came back is in the depot.
    assert (disc.counts, disc.counts_short) == (2, 2)
    assert amounts(disc.short, disc.over) == (4, 0)
    assert disc.value == 10
    assert disc.logged == 10
    assert disc.share == Decimal(4) / 14
    assert disc.is_again
    assert amounts(fine.short, fine.over, fine.missing) == (0, 1, -1)
    assert fine.share is None
    assert not fine.is_again
    found = FoundMissing(Period())
    assert (len(found), [row.consumable for row in found]) == (2, [DISC, FINE_DISC])
    assert (found[1:], found[1]) == ([fine], fine)
    months = missing_by_month(Period())
    assert [f"{month:%Y-%m}" for month, _ in months] == ["2026-03", "2026-04"]
    assert sum(value for _, value in months) == disc.value + fine.value
    page = desk(f"/owner/missing/?{YEAR}")
    row = next(row for row in page.tables[1] if DISC in row["Consumable"])
    assert row["Net missing"] == "4 each"
    assert row["Share"] == "28.6%"
    assert "again and again" in row["Consumable"]
    counts = desk(page.href(f"consumable={DISC}&?"))
    assert [line["Missing"] for line in counts.tables[0]] == ["2", "2"]


def test_the_counts_of_a_period_only_and_standing_ones_only_are_shown() -> None:
    count("N-1", "2026-03-10", (DISC, "12"))
    count("N-2", "2026-04-10", (DISC, "11"))
    assert [row.short for row in FoundMissing(Period(end=date(2026, 3, 31)))] == [8]
    assert [row.short for row in FoundMissing(Period(start=date(2026, 4, 1)))] == [1]
    correct("K-1", "count", "N-1")
    assert [row.short for row in FoundMissing(Period())] == [9]
    assert "Nothing was counted" in desk("/owner/missing/?start=2020-01-01&end=2020-01-31").text


def test_a_use_that_comes_late_explains_what_was_missing() -> None:
    count("N-1", "2026-03-10", (DISC, "12"))
    assert [row.missing for row in FoundMissing(Period())] == [8]
    close("J-1", "2026-03-09", used(DISC, "7"))
    row = FoundMissing(Period())[0]
    assert amounts(row.missing, row.logged) == (1, 7)
    line = counted_in(Period()).get()
    assert line.missing == 1


def test_counts_that_differ_are_told_from_those_that_do_not() -> None:
    count("N-1", "2026-03-10", (DISC, "20"), (FINE_DISC, "48"))
    assert [line.consumable.code for line in differing(counted_in(Period()))] == [FINE_DISC]
    page = desk(f"/owner/missing/counts/?{YEAR}&differing=on")
    assert len(page.tables[0]) == 1
    assert page.tables[0][0]["Explained"] == "not yet"
    CountExplanation.objects.create(
        count_line=differing(counted_in(Period())).get(), cause=DifferenceCause.NOT_LOGGED, explained_at=NOW
    )
    assert "without being logged" in desk(f"/owner/missing/counts/?{YEAR}").text
    Place.objects.create(code="VAN-9", kind=PlaceKind.VAN)
    assert "No count matches." in desk(f"/owner/missing/counts/?{YEAR}&place=VAN-9").text
    assert "not one of the available" in desk(f"/owner/missing/counts/?{YEAR}&place=nowhere").text


def test_the_chart_of_what_was_missing_is_drawn_with_and_without_counts() -> None:
    assert client().get("/owner/missing/chart.svg").status_code == 200
    count("N-1", "2026-03-10", (DISC, "12"))
    assert "2026-03" in client().get(f"/owner/missing/chart.svg?{YEAR}").content.decode()


def test_the_number_of_queries_does_not_depend_on_what_there_is() -> None:
    expect(DISC, "3")
    paths = [f"/owner/{name}/?{YEAR}" for name in ("losses", "consumption", "missing", "missing/counts")]
    close("J-0", "2026-03-02", used(DISC, "1"), price=Decimal(1))
    count("N-0", "2026-03-02", (DISC, "12"))
    browser = client()

    def counts() -> list[int]:
        return [queries(lambda path=path: browser.get(path)) for path in paths]  # type: ignore[misc]

    before = counts()
    for number in range(1, 25):
        kind = ("acid etch", "scuff", "graffiti")[number % 3]
        close(f"J-{number}", f"2026-04-{number:02}", used(DISC, "4"), damage_type=kind, price=Decimal(1))
        count(f"N-{number}", f"2026-04-{number:02} 12:00", (DISC, "1"), (FINE_DISC, "3"))
    assert counts() == before
    assert max(before) < 25


def test_only_the_owner_reads_these_pages() -> None:
    for role in (Role.ACCOUNTANT, Role.STOREKEEPER, Role.TECHNICIAN):
        for name in ("losses", "consumption", "missing", "missing/counts"):
            assert client(role).get(f"/owner/{name}/").status_code == 403
