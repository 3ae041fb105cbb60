"""Standard against actual from the database, against variances worked out by hand."""

import re
from collections import defaultdict
from datetime import date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.models import Books
from shop.costing.standard_costs import labour_lines, material_lines
from shop.costing.variances import LabourVariances, MaterialVariances
from shop.models import BEGINNING
from shop.profitability.margins import margin_report
from tests.inventory.small_shop import undone_afterwards
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    PAD,
    close,
    correct,
    expect,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    run,
    use_more,
    used,
)
from tests.thoroughness import examples

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    receive(
        "R-1",
        "2026-03-01",
        *((DISC, "100", "250"), (FINE_DISC, "100", "120"), (COMPOUND, "1000", "80"), (PAD, "10", "150")),
    )


def test_material_variances_by_hand() -> None:
    expect(DISC, "4", "2.40")
    expect(FINE_DISC, "2", "1.20")
    expect(COMPOUND, "30", None)
    close("J-1", "2026-03-10", used(DISC, "5"), used(COMPOUND, "40"))
    close("J-2", "2026-03-11", used(DISC, "4"))
    close("J-3", "2026-03-11", used(DISC, "1"), job_type="regrind")
    lines = {(line.job_type, line.consumable): line for line in material_lines()}
    assert list(lines) == [
        ("polish", COMPOUND),
        ("polish", FINE_DISC),
        ("polish", DISC),
        ("regrind", DISC),
    ]
    disc = lines["polish", DISC]
    assert (disc.jobs, disc.actual_quantity, disc.standard_quantity) == (2, Decimal(9), Decimal(8))
    # 9 discs at 2.50 instead of 2.40, and 9 instead of 8 at 2.40.
    assert disc.actual_cost == Decimal("22.5")
    assert disc.variances == MaterialVariances(price=Decimal("0.9"), quantity=Decimal("2.4"))
    # None of 4 fine discs was logged: 4.80 saved, or forgotten.
    assert lines["polish", FINE_DISC].variances == MaterialVariances(
        price=Decimal(0), quantity=Decimal("-4.8")
    )
    compound = lines["polish", COMPOUND]
    assert (compound.variances, compound.actual_cost) == (None, Decimal("3.2"))
    # No standard for this service, but the disc has a cost: all of it is quantity.
    regrind = lines["regrind", DISC]
    assert (regrind.jobs, regrind.standard_quantity) == (1, Decimal(0))
    assert regrind.variances == MaterialVariances(price=Decimal("0.1"), quantity=Decimal("2.4"))


def test_further_uses_returns_and_corrections_count() -> None:
    expect(DISC, "4", "2.50")
    close("J-1", "2026-03-10", used(DISC, "5"))
    use_more("U-1", "J-1", used(DISC, "2"))
    give_back("B-1", "2026-03-10 12:00", ("close", "close-J-1"), (DISC, "3"))
    close("J-2", "2026-03-10", used(DISC, "9"))
    correct("K-1", "close", "close-J-2")
    (line,) = material_lines()
    assert (line.jobs, line.actual_quantity, line.actual_cost) == (1, Decimal(4), Decimal(10))
    assert line.variances == MaterialVariances(price=Decimal(0), quantity=Decimal(0))


def test_worn_parts_are_left_out_so_that_costs_add_up_to_materials() -> None:
    expect(PAD, "1", "15")
    close("J-1", "2026-03-10", used(DISC, "5"), used(PAD, "1", "30"), used(COMPOUND, "7.5"))
    lines = list(material_lines())
    assert {line.consumable for line in lines} == {DISC, COMPOUND}
    (group,) = margin_report("job_type")
    assert sum(line.actual_cost for line in lines) == group.materials


def test_labour_variances_by_hand() -> None:
    pay("60")
    pay("72", technician="bo")
    close("J-1", "2026-03-10", labour_minutes=Decimal(65))
    close("J-2", "2026-03-11", labour_minutes=Decimal(55), technician="bo")
    close("undone", "2026-03-11")
    correct("K-1", "close", "close-undone")
    close("J-3", "2026-04-11", job_type="regrind")
    (line,) = labour_lines(date(2026, 3, 1), date(2026, 3, 31))
    assert (line.job_type, line.jobs) == ("polish", 2)
    # 65 at 1.00 and 55 at 1.20 a minute; 120 minutes instead of 100 at the shop's 1.00.
    assert (line.actual_minutes, line.standard_minutes) == (Decimal(120), Decimal(100))
    assert line.actual_cost == Decimal(131)
    assert line.variances == LabourVariances(rate=Decimal(11), efficiency=Decimal(20))
    assert [one.job_type for one in labour_lines()] == ["polish", "regrind"]


def test_a_correction_leaves_the_labour_of_a_locked_month_and_counts_where_it_posts() -> None:
    pay("60")
    march, april = (date(2026, 3, 1), date(2026, 3, 31)), (date(2026, 4, 1), date(2026, 4, 30))
    close("J-1", "2026-03-10", labour_minutes=Decimal(65))
    lock("2026-04-01")
    before = list(labour_lines(*march))
    correct("K-1", "close", "close-J-1")
    close("J-1", "2026-04-02", id="close-again", labour_minutes=Decimal(40))
    assert list(labour_lines(*march)) == before
    # 65 minutes undone and 40 done, one job for another.
    (line,) = labour_lines(*april)
    assert (line.jobs, line.actual_minutes, line.actual_cost) == (0, Decimal(-25), Decimal(-25))
    assert line.variances == LabourVariances(rate=Decimal(0), efficiency=Decimal(-25))


def test_each_jobs_labour_is_held_against_the_standard_of_its_day() -> None:
    pay("60")
    pay("40", date(2026, 3, 15))
    close("J-1", "2026-03-10", labour_minutes=Decimal(65))
    close("J-2", "2026-03-20", labour_minutes=Decimal(55))
    (line,) = labour_lines(date(2026, 3, 1), date(2026, 3, 31))
    # 15 minutes too many at 1.00, and 5 at 0.6667.
    assert line.actual_cost == Decimal("101.6667")
    assert line.variances == LabourVariances(rate=Decimal(0), efficiency=Decimal("18.3334"))


@pytest.mark.parametrize("zone", ["UTC", "Pacific/Auckland", "America/Los_Angeles"])
def test_the_day_of_a_job_is_that_of_the_shops_clocks(zone: str) -> None:
    Books.objects.update(time_zone=zone)
    pay("60")
    pay("120", date(2026, 3, 15))
    for number, moment in enumerate(("2026-03-14 23:59:59", "2026-03-15 00:00")):
        local = datetime.fromisoformat(moment).replace(tzinfo=ZoneInfo(zone))
        close(f"J-{number}", local.isoformat(), labour_minutes=Decimal(60))
    (line,) = labour_lines()
    assert line.variances == LabourVariances(rate=Decimal(0), efficiency=Decimal(30))


RATES = st.dictionaries(st.integers(1, 120), st.integers(1, 90), max_size=4)
JOBS = st.lists(st.tuples(st.integers(0, 89), st.integers(0, 240), st.booleans()), min_size=1, max_size=8)


@settings(max_examples=examples(15), deadline=None)
@given(RATES, JOBS, st.integers(121, 300), st.integers(1, 500))
def test_a_later_standard_never_changes_the_figures_of_a_locked_period(
    rates: dict[int, int], jobs: list[tuple[int, int, bool]], later: int, per_hour: int
) -> None:
    first = date(2026, 1, 1)
    with undone_afterwards():
        pay("60")
        for day, rate in rates.items():
            pay(f"{rate}", first + timedelta(days=day))
        done = defaultdict(list)
        for number, (day, worked, undone) in enumerate(jobs):
            on = first + timedelta(days=day)
            close(f"J-{number}", on.isoformat(), labour_minutes=Decimal(worked))
            if undone:
                correct(f"K-{number}", "close", f"close-J-{number}")
            else:
                done[on].append(worked)
        lock("2026-04-01")
        before = list(labour_lines(end=date(2026, 3, 31)))
        # Efficiency is the standard rate x (actual - standard time): OpenStax, Principles of Accounting,
        # Volume 2, section 8.3. By hand for each day at the rate in force on it.
        starts = {first + timedelta(days=day): Decimal(rate) for day, rate in rates.items()}
        starts[BEGINNING] = Decimal(60)
        by_hand = Decimal(0)
        for on, minutes in done.items():
            in_force = starts[max(start for start in starts if start <= on)]
            by_hand += in_force * (sum(minutes) - 50 * len(minutes)) / 60
        efficiency = sum((line.variances.efficiency for line in before if line.variances), Decimal(0))
        assert abs(efficiency - by_hand) < Decimal("0.001") * len(jobs)
        pay(f"{per_hour}", first + timedelta(days=later))
        assert list(labour_lines(end=date(2026, 3, 31))) == before


def test_without_a_rate_of_the_shop_there_is_no_labour_variance() -> None:
    pay("72", technician="ann")
    pay("60", date(2026, 4, 1))
    close("J-1", "2026-03-10")
    close("J-2", "2026-04-10")
    (line,) = labour_lines(date(2026, 3, 1), date(2026, 3, 31))
    assert (line.actual_cost, line.variances) == (Decimal(72), None)
    (line,) = labour_lines(date(2026, 4, 1), date(2026, 4, 30))
    assert line.variances == LabourVariances(rate=Decimal(12), efficiency=Decimal(10))
    # One job without a standard makes the whole incomparable.
    (line,) = labour_lines()
    assert (line.jobs, line.variances) == (2, None)


def test_the_command_prints_both_tables() -> None:
    pay("60")
    expect(DISC, "4", "2.40")
    close("J-1", "2026-03-10", used(DISC, "5"), used(COMPOUND, "40"))
    printed = [re.split("  +", line.strip()) for line in run("variances").splitlines()]
    assert printed[0] == ["Materials: standard against actual (F favourable, U unfavourable)"]
    assert ["polish, DISC-P400", "1", "5.0", "4.0", "12.50", "0.50 U", "2.40 U"] in printed
    assert ["polish, COMPOUND", "1", "40.0", "0.0", "3.20", "no standard", "no standard"] in printed
    assert ["Labour: standard against actual (F favourable, U unfavourable)"] in printed
    assert ["polish", "1", "60", "50", "60.00", "-", "10.00 U"] in printed
    assert run("variances", "--from", "2026-05-01").count("(nothing yet)") == 2
