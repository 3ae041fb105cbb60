"""Job costs follow the ledger's values and the rates in force, whatever comes late."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.integrity import value_reconciliation
from inventory.integrity.stock_checks import stock_disagreements
from inventory.ledger import cost_formula_change
from inventory.ledger.period_lock import open_from
from inventory.models import Books
from inventory.valuation.cost_layers import CostFormula
from shop.costing import rates
from shop.costing.absorption import overhead_absorption, wear_absorption
from shop.costing.formulas import AMOUNTS, Absorption
from shop.costing.job_costs import refresh_from
from shop.integrity.job_cost_checks import disagreements
from shop.models import (
    Job,
    JobCost,
)
from shop.profitability.margins import margin_report
from tests.inventory.small_shop import undone_afterwards
from tests.shop.costing.random_shop import ACTIONS, RandomShop
from tests.shop.world import (
    DISC,
    PAD,
    amounts,
    assert_costs_follow_facts,
    at,
    charge_overhead,
    close,
    correct,
    cost_of,
    cost_of_all,
    export,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)
from tests.thoroughness import examples

pytestmark = pytest.mark.django_db
DAY = "2026-03-10 09:00"


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()


# Materials


def test_a_late_receipt_values_the_jobs_after_it_again() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"))
    close("before", "2026-03-02", used(DISC, "2"))
    close("after", DAY, used(DISC, "4"))
    assert amounts(cost_of("before").materials, cost_of("after").materials) == (4, 8)
    receive("R-2", "2026-03-05", (DISC, "8", "40"))
    # 8 discs left of 16.00 and 8 more for 40.00: 3.50 each.
    assert amounts(cost_of("before").materials, cost_of("after").materials) == (4, 14)
    correct("K-1", "receipt", "R-2")
    assert amounts(cost_of("before").materials, cost_of("after").materials) == (4, 8)
    assert_costs_follow_facts()


def test_freight_reaches_the_job() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"), freight="5")
    close("J-1", DAY, used(DISC, "4"))
    assert cost_of("J-1").materials == 10


def test_a_receipt_settles_what_was_used_before_it_on_its_own_day() -> None:
    close("J-1", DAY, used(DISC, "4"))
    assert cost_of("J-1").materials == 0
    receive("R-1", "2026-03-20", (DISC, "10", "20"))
    assert cost_of("J-1").materials == 0
    assert value_reconciliation.total(value_reconciliation.reconcile()).adjustments == 8
    receive("R-0", "2026-03-01", (DISC, "10", "30"))
    assert cost_of("J-1").materials == 12
    assert_costs_follow_facts()


def test_a_late_receipt_of_a_locked_month_leaves_its_jobs_alone() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"))
    close("J-1", DAY, used(DISC, "4"))
    lock("2026-04-01")
    receive("R-2", "2026-03-05", (DISC, "10", "90"))
    close("J-2", "2026-04-01", used(DISC, "4"))
    # 6 discs of 12.00 and 10 of 90.00 since the first of April: 102 / 16 each.
    assert amounts(cost_of("J-1").materials, cost_of("J-2").materials) == (8, Decimal("25.5"))
    assert_costs_follow_facts()


def test_another_cost_method_reaches_the_jobs() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"))
    receive("R-2", "2026-03-02", (DISC, "10", "40"))
    close("J-1", DAY, used(DISC, "4"))
    assert cost_of("J-1").materials == 12
    cost_formula_change.change_method(CostFormula.FIFO)
    assert cost_of("J-1").materials == 8
    assert_costs_follow_facts()


# Wear: predetermined by the latest landed cost, 300 minutes a pad


def wear(job: str) -> Decimal:
    return cost_of(job).wear


def test_wear_is_charged_by_the_minute_at_the_latest_landed_cost() -> None:
    receive("R-1", "2026-03-01", (PAD, "2", "24"), freight="6")
    close("first", "2026-03-02", used(PAD, "0", "30"))
    receive("R-2", "2026-03-05", (PAD, "1", "30"))
    close("second", DAY, used(PAD, "1", "30"))
    # 15.00 and then 30.00 for 300 minutes; whether a pad was put on makes no difference.
    assert amounts(wear("first"), wear("second")) == (Decimal("1.5"), 3)
    assert cost_of("second").materials == 0
    assert_costs_follow_facts()


def test_a_pad_that_was_never_received_charges_nothing_until_it_is() -> None:
    close("J-1", DAY, used(PAD, "0", "30"))
    assert wear("J-1") == 0
    receive("R-2", "2026-03-11", (PAD, "1", "30"))
    assert wear("J-1") == 0
    receive("R-1", "2026-03-10 09:00", (PAD, "1", "60"))
    assert wear("J-1") == 6
    assert_costs_follow_facts()


def test_a_late_and_a_corrected_receipt_change_the_wear_after_them() -> None:
    receive("R-1", "2026-03-01", (PAD, "1", "30"))
    close("J-1", DAY, used(PAD, "0", "30"))
    use_more("U-1", "J-1", used(PAD, "0", "10"))
    close("earlier", "2026-03-03", used(PAD, "0", "30"))
    receive("R-2", "2026-03-05", (PAD, "1", "60"))
    assert amounts(wear("J-1"), wear("earlier")) == (8, 3)
    assert_costs_follow_facts()
    correct("K-1", "receipt", "R-2")
    assert amounts(wear("J-1"), wear("earlier")) == (4, 3)
    correct("K-2", "receipt", "R-1")
    assert amounts(wear("J-1"), wear("earlier")) == (0, 0)
    assert_costs_follow_facts()


def test_the_wear_of_an_undone_close_stays_undone_when_a_receipt_comes_late() -> None:
    receive("R-1", "2026-03-01", (PAD, "1", "30"))
    close("J-1", DAY, used(PAD, "0", "30"))
    correct("K-1", "close", "close-J-1")
    receive("R-2", "2026-03-05", (PAD, "1", "60"))
    assert wear("J-1") == 0
    assert list(JobCost.objects.order_by("pk").values_list("wear", flat=True)) == [6, -6]
    assert_costs_follow_facts()


def test_a_receipt_corrected_after_the_lock_changes_only_the_open_months_wear() -> None:
    receive("R-1", "2026-03-01", (PAD, "1", "30"))
    receive("R-2", "2026-03-05", (PAD, "1", "60"))
    close("march", DAY, used(PAD, "0", "30"))
    lock("2026-04-01")
    close("april", "2026-04-02", used(PAD, "0", "30"))
    late = close("late", "2026-03-12", used(PAD, "0", "30"))
    assert late.posting.posted_at == at("2026-04-01")
    assert amounts(wear("march"), wear("april"), wear("late")) == (6, 6, 6)
    correct("K-1", "receipt", "R-2")
    assert amounts(wear("march"), wear("april"), wear("late")) == (6, 3, 3)
    assert_costs_follow_facts()


def test_several_parts_and_lines_add_up() -> None:
    receive("R-1", "2026-03-01", (PAD, "1", "30"))
    close("J-1", DAY, used(PAD, "0", "30"), used(PAD, "1", "15"), used(PAD, "1", "0"))
    assert wear("J-1") == Decimal("4.5")


def test_the_over_or_under_absorbed_balance_of_the_wear_pool_is_reported() -> None:
    receive("R-1", "2026-03-01", (PAD, "10", "300"))
    assert wear_absorption() == Absorption(Decimal(0), Decimal(0))
    close("J-1", DAY, used(PAD, "0", "200"))
    assert str(wear_absorption()) == "over-absorbed by 20.0000"
    close("J-2", "2026-04-10", used(PAD, "1", "200"))
    assert wear_absorption() == Absorption(Decimal(40), Decimal(30))
    close("J-3", "2026-04-11", used(PAD, "1", "50"))
    assert str(wear_absorption()) == "under-absorbed by 15.0000"
    assert wear_absorption(date(2026, 3, 1), date(2026, 3, 31)) == Absorption(Decimal(20), Decimal(0))
    give_back("B-1", "2026-04-12", ("close", "close-J-3"), (PAD, "1"))
    assert wear_absorption() == Absorption(Decimal(45), Decimal(30))


# Labour, travel, overhead


def test_the_technicians_own_rate_goes_before_the_shops_and_each_starts_on_its_day() -> None:
    pay("30")
    pay("36", date(2026, 3, 1))
    pay("60", date(2026, 3, 10), "ann")
    closes = {
        "shop's first": ("2026-02-28 23:59", "ann"),
        "shop's second": ("2026-03-09 23:59", "ann"),
        "own": ("2026-03-10 00:00", "ann"),
        "another's": ("2026-03-10 00:00", "bo"),
    }
    for job, (moment, technician) in closes.items():
        close(job, moment, technician=technician)
    assert {job: cost_of(job).labour for job in closes} == {
        "shop's first": 30,
        "shop's second": 36,
        "own": 60,
        "another's": 36,
    }


def test_a_rate_starts_on_the_shops_clocks() -> None:
    # New York is 4 hours behind UTC in summer time, from 8 March 2026 on.
    Books.objects.update(time_zone="America/New_York")
    pay("30")
    pay("60", date(2026, 3, 10))
    close("still the ninth", "2026-03-10 03:59")
    close("the tenth", "2026-03-10 04:00")
    assert amounts(cost_of("still the ninth").labour, cost_of("the tenth").labour) == (30, 60)


def test_without_any_rate_a_job_is_closed_and_costs_its_materials_only() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"))
    close("J-1", DAY, used(DISC, "4"))
    costs = cost_of("J-1")
    assert amounts(costs.labour, costs.travel, costs.overhead, costs.margin) == (0, 0, 0, 192)


def test_travel_costs_the_technician_and_the_vehicle_and_overhead_follows_labour() -> None:
    pay("60")
    charge_overhead("3000", "10000", "0.4", date(2026, 3, 1))
    close("before", "2026-02-28")
    close("J-1", DAY)
    costs = cost_of("J-1")
    # 30 minutes at 1.00 and 0.40; 60 minutes at 0.30.
    assert amounts(costs.labour, costs.travel, costs.overhead) == (60, 42, 18)
    assert amounts(costs.contribution, costs.margin) == (98, 80)
    assert amounts(cost_of("before").travel, cost_of("before").overhead) == (30, 0)
    assert overhead_absorption(Decimal(20), date(2026, 3, 1)) == Absorption(Decimal(18), Decimal(20))


def test_a_rate_added_later_reaches_the_jobs_from_its_day_on() -> None:
    close("before", "2026-03-09 23:59")
    close("J-1", DAY)
    pay("60", date(2026, 3, 10))
    assert cost_of("J-1").labour == 0
    assert [d.what for d in disagreements()] == ["job cost, labour", "job cost, travel"]
    refresh_from(at("2026-03-10"))
    assert amounts(cost_of("J-1").labour, cost_of("before").labour) == (60, 0)
    assert_costs_follow_facts()


def test_a_rate_saved_through_its_door_reaches_the_jobs_at_once() -> None:
    close("J-1", DAY)
    correct("K-1", "close", "close-J-1")
    close("J-1", DAY, id="again")
    rate = rates.labour_rate(Decimal(60), date(2026, 3, 10), None)
    rates.save_rates([rate], UTC)
    assert list(JobCost.objects.order_by("pk").values_list("labour", flat=True)) == [60, -60, 60]
    assert_costs_follow_facts()


# Checking
# All together, at random
@settings(max_examples=examples(25))
@given(ACTIONS, st.sampled_from(CostFormula))
def test_whatever_happens_costs_follow_the_facts_and_every_cent_is_accounted_for(
    actions: list[tuple[str, datetime, list[Any], int]], method: CostFormula
) -> None:
    with undone_afterwards():
        cost_formula_change.change_method(method)
        shop = RandomShop()
        locked: dict[date, list[dict[str, str]]] = {}
        for number, action in enumerate(actions):
            shop.do(number, *action)
            if (first_open := open_from()) and first_open.date() not in locked:
                locked[first_open.date()] = export("2000-01-02", str(first_open.date() - timedelta(days=1)))
        assert_costs_follow_facts()
        assert list(stock_disagreements()) == []
        reconciled = value_reconciliation.reconcile()
        assert list(value_reconciliation.disagreements(reconciled)) == []
        rows = export()
        exported = {name: sum((Decimal(row[name]) for row in rows), Decimal(0)) for name in AMOUNTS}
        totals = cost_of_all()
        assert exported == {name: getattr(totals, name) for name in AMOUNTS}
        groups = margin_report("damage_type", lifetime=True)
        assert sum(group.margin for group in groups) == totals.margin
        # What jobs took: materials charged to them, and worn parts that the wear pool bears.
        job_costs = value_reconciliation.total(reconciled).job_costs
        assert exported["materials"] + wear_absorption().actual == job_costs
        assert sum(group.jobs for group in groups) == Job.objects.filter(status="closed").count()
        for day, before in locked.items():
            assert export("2000-01-02", str(day - timedelta(days=1))) == before
        for job in Job.objects.filter(original__isnull=False).select_related("callback_of__original"):
            assert job.callback_of is not None
            assert job.original == (job.callback_of.original or job.callback_of)
