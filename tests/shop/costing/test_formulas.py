"""Job costing: rates, wear, overhead, margins, callbacks, absorption."""

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.costing.formulas import (
    NO_COSTS,
    Absorption,
    JobCosts,
    minutes_cost,
    overhead_cost,
    rate_on,
    wear_cost,
)

D = Decimal
HALF_PLACE = D("0.00005")
money = st.decimals(min_value=0, max_value=10**9, places=4)
signed_money = st.decimals(min_value=-(10**9), max_value=10**9, places=4)
minutes = st.decimals(min_value=0, max_value=100_000, places=4)
positive_minutes = st.decimals(min_value=D("0.0001"), max_value=100_000, places=4)
job_costs = st.builds(JobCosts, *[signed_money] * 6)


@dataclass(frozen=True)
class HourlyRate:
    effective_from: date
    per_hour: Decimal


def test_minutes_cost_at_an_hourly_rate() -> None:
    assert minutes_cost(D(50), D(48)) == D(40)


def test_results_are_rounded_half_to_even_at_four_places() -> None:
    # 1 minute at 0.003 and at 0.009 per hour is exactly 0.00005 and 0.00015.
    assert minutes_cost(D(1), D("0.003")) == D("0.0000")
    assert minutes_cost(D(1), D("0.009")) == D("0.0002")
    assert minutes_cost(D(20), D(1)).as_tuple().exponent == -4


def test_overhead_multiplies_before_it_divides() -> None:
    # 1 / 3 rounded to a rate of 0.3333 first would give 2.9997.
    assert overhead_cost(D(9), D(1), D(3)) == D(3)
    assert wear_cost(D(9), D(1), D(3)) == D(3)


def test_the_largest_amounts_keep_every_digit() -> None:
    cost = overhead_cost(D("99999.9999"), D("999999999.9999"), D("99999.9999"))
    assert cost == D("999999999.9999")


def test_no_minutes_cost_nothing_and_neither_does_what_is_free() -> None:
    assert minutes_cost(D(0), D(48)) == minutes_cost(D(50), D(0)) == 0
    assert wear_cost(D(0), D(12), D(200)) == overhead_cost(D(50), D(0), D(200)) == 0


def test_a_life_or_capacity_below_a_minute_is_one() -> None:
    assert wear_cost(D("0.25"), D(12), D("0.5")) == D(6)


def test_wear_goes_on_beyond_the_expected_life() -> None:
    assert wear_cost(D(300), D(12), D(200)) == D(18)


@pytest.mark.parametrize("bad", [D(-1), D("NaN"), D("Infinity")])
def test_bad_values_are_named(bad: Decimal) -> None:
    with pytest.raises(ValueError, match=f"minutes {bad} must be zero or more"):
        minutes_cost(bad, D(40))
    with pytest.raises(ValueError, match="rate per hour"):
        minutes_cost(D(1), bad)
    with pytest.raises(ValueError, match="unit cost"):
        wear_cost(D(1), bad, D(10))
    with pytest.raises(ValueError, match="monthly overhead"):
        overhead_cost(D(1), bad, D(10))


@pytest.mark.parametrize("bad", [D(0), D(-1), D("NaN"), D("Infinity")])
def test_there_is_no_dividing_by_nothing(bad: Decimal) -> None:
    with pytest.raises(ValueError, match=r"capacity in minutes .* must be more than zero"):
        overhead_cost(D(1), D(1), bad)
    with pytest.raises(ValueError, match=r"life in minutes .* must be more than zero"):
        wear_cost(D(1), D(1), bad)


@given(minutes, minutes, money, positive_minutes)
def test_costs_are_linear_in_minutes_but_for_rounding(
    one: Decimal, other: Decimal, amount: Decimal, whole: Decimal
) -> None:
    split = overhead_cost(one, amount, whole) + overhead_cost(other, amount, whole)
    assert abs(split - overhead_cost(one + other, amount, whole)) <= 3 * HALF_PLACE
    split = minutes_cost(one, amount) + minutes_cost(other, amount)
    assert abs(split - minutes_cost(one + other, amount)) <= 3 * HALF_PLACE


@given(minutes, minutes, money, positive_minutes)
def test_more_minutes_never_cost_less(one: Decimal, other: Decimal, amount: Decimal, whole: Decimal) -> None:
    less, more = sorted((one, other))
    assert wear_cost(less, amount, whole) <= wear_cost(more, amount, whole)
    assert minutes_cost(less, amount) <= minutes_cost(more, amount)


@given(money, positive_minutes)
def test_working_the_whole_capacity_absorbs_the_whole_overhead(overhead: Decimal, capacity: Decimal) -> None:
    assert overhead_cost(capacity, overhead, capacity) == overhead


def test_contribution_stands_before_overhead_and_margin_after() -> None:
    job = JobCosts(D(180), D(22), D(3), D(40), D(15), D(30))
    assert job.contribution == D(100)
    assert job.margin == D(70)


def test_an_abandoned_job_has_costs_and_no_revenue() -> None:
    assert JobCosts(D(0), D(22), D(3), D(40), D(15), D(30)).margin == D(-110)


def test_two_jobs_add_up_figure_by_figure() -> None:
    one = JobCosts(D(180), D(22), D(3), D(40), D(15), D(30))
    other = JobCosts(D(1), D(2), D(4), D(8), D(16), D(32))
    assert one + other == JobCosts(D(181), D(24), D(7), D(48), D(31), D(62))


@given(st.lists(job_costs, max_size=8))
def test_a_group_conserves_every_figure(jobs: list[JobCosts]) -> None:
    group = sum(jobs, NO_COSTS)
    assert group.revenue == sum(job.revenue for job in jobs)
    assert group.margin == sum(job.margin for job in jobs)
    assert group.contribution == sum(job.contribution for job in jobs)
    spent = group.materials + group.wear + group.labour + group.travel + group.overhead
    assert group.margin + spent == group.revenue
    assert sum(reversed(jobs), NO_COSTS) == group


def test_absorption_says_which_way_and_by_how_much() -> None:
    assert (Absorption(D(90), D(100)).balance, Absorption(D(90), D(100)).word) == (D(-10), "under")
    assert str(Absorption(D("90.5"), D(100))) == "under-absorbed by 9.5"
    assert str(Absorption(D(110), D(100))) == "over-absorbed by 10"
    assert (Absorption(D(100), D(100)).word, str(Absorption(D(7), D(7)))) == ("even", "absorbed exactly")


def test_the_smallest_difference_is_over_or_under_absorbed() -> None:
    assert str(Absorption(D("100.0001"), D(100))) == "over-absorbed by 0.0001"
    assert str(Absorption(D("99.9999"), D(100))) == "under-absorbed by 0.0001"


RATES = (
    HourlyRate(date(2026, 7, 1), D(44)),
    HourlyRate(date(2026, 1, 1), D(40)),
)


@pytest.mark.parametrize(
    ("day", "per_hour"),
    [(date(2026, 1, 1), 40), (date(2026, 6, 30), 40), (date(2026, 7, 1), 44), (date(2030, 1, 1), 44)],
)
def test_the_rate_in_force_is_the_latest_begun(day: date, per_hour: int) -> None:
    rate = rate_on(RATES, day)
    assert rate is not None
    assert rate.per_hour == per_hour


def test_before_the_first_rate_there_is_none() -> None:
    assert rate_on(RATES, date(2025, 12, 31)) is None
    none: list[HourlyRate] = []
    assert rate_on(none, date(2026, 1, 1)) is None


def test_two_rates_from_the_same_day_are_refused() -> None:
    twice = (*RATES, HourlyRate(date(2026, 7, 1), D(45)))
    with pytest.raises(ValueError, match="2 rates start on 2026-07-01; keep one"):
        rate_on(twice, date(2026, 8, 1))
    assert rate_on(twice, date(2026, 6, 1)) == RATES[1]


@given(st.sets(st.integers(0, 1000), max_size=8), st.integers(-10, 1010), st.booleans())
def test_the_order_of_rates_does_not_matter(starts: set[int], day: int, backwards: bool) -> None:
    first = date(2024, 1, 1)
    rates = [HourlyRate(first + timedelta(start), D(start)) for start in starts]
    rates.sort(key=lambda rate: rate.effective_from, reverse=backwards)
    begun = [start for start in starts if start <= day]
    rate = rate_on(rates, first + timedelta(day))
    assert rate == (HourlyRate(first + timedelta(max(begun)), D(max(begun))) if begun else None)
