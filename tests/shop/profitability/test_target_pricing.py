"""What price, or what saving, would bring a kind of job to the target; figures worked out by hand."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.profitability.target_pricing import JobKind, Verdict, price_to_target

CENT = Decimal("0.01")
MONEY = st.decimals(0, 100_000, places=4)


def kind(jobs: int = 20, low: float | None = None, high: float | None = None, **sums: str) -> JobKind:
    """Return 20 jobs that earned 1,000 and cost 500 in consumption and 600 otherwise, unless told."""
    amounts = {"revenue": "1000", "consumption": "500", "other_costs": "600", **sums}
    return JobKind(jobs, low=low, high=high, **{name: Decimal(amount) for name, amount in amounts.items()})


def test_by_hand() -> None:
    """Costs of 1,100 at a target of 30%: 1,100 / 0.7 = 1,571.43 in all, 78.58 a job instead of 50."""
    found = price_to_target(kind(low=-0.2, high=-0.05), Decimal(30), CENT)
    assert found.verdict == Verdict.LOSES
    assert found.mean_price == 50
    assert found.price == Decimal("78.58")
    assert found.price_rise == pytest.approx(1100 / 700 - 1)
    assert found.rise_low == pytest.approx(1.05 / 0.7 - 1)
    assert found.rise_high == pytest.approx(1.2 / 0.7 - 1)
    assert found.shortfall == 400
    assert found.consumption_cut == Decimal("0.8")
    assert found.other_cut is not None
    assert round(found.other_cut, 6) == Decimal("0.666667")
    assert not found.few_jobs


@pytest.mark.parametrize(
    ("revenue", "high", "verdict"),
    [
        ("1000", -0.01, Verdict.LOSES),
        ("1000", 0.0, Verdict.MAY_LOSE),
        ("1000", None, Verdict.LOSES),
        ("1200", 0.2, Verdict.BELOW),
        ("1200", 0.3, Verdict.MAY_REACH),
        ("1200", None, Verdict.BELOW),
        ("1572", 0.5, Verdict.ON_TARGET),
        ("0", None, Verdict.LOSES),
    ],
)
def test_the_verdict_keeps_the_interval_in_mind(revenue: str, high: float | None, verdict: Verdict) -> None:
    assert price_to_target(kind(revenue=revenue, low=-1, high=high), Decimal(30), CENT).verdict == verdict


def test_saving_more_than_there_is_mends_nothing() -> None:
    found = price_to_target(kind(consumption="50", other_costs="1050"), Decimal(30), CENT)
    assert found.consumption_cut is None
    assert found.other_cut is not None
    assert price_to_target(kind(consumption="0"), Decimal(80), CENT).consumption_cut is None


def test_a_target_of_everything_has_no_price() -> None:
    found = price_to_target(kind(low=0.1, high=0.2), Decimal(100), CENT)
    assert (found.price, found.price_rise, found.rise_low, found.rise_high) == (None, None, None, None)


def test_without_revenue_the_price_is_still_known() -> None:
    found = price_to_target(kind(revenue="0"), Decimal(0), CENT)
    assert found.price == 55
    assert found.price_rise is None
    assert found.mean_price == 0


def test_few_jobs_are_said_and_none_have_no_price() -> None:
    assert price_to_target(kind(jobs=9), Decimal(30), CENT).few_jobs
    nothing = price_to_target(kind(jobs=0, revenue="0", consumption="0", other_costs="0"), Decimal(30), CENT)
    assert (nothing.price, nothing.mean_price, nothing.verdict) == (None, None, Verdict.ON_TARGET)


@pytest.mark.parametrize("target", ["-1", "100.5"])
def test_a_target_that_is_no_share_is_refused(target: str) -> None:
    with pytest.raises(ValueError, match="is not from 0 to 100"):
        price_to_target(kind(), Decimal(target), CENT)


KINDS = st.builds(JobKind, st.integers(1, 500), MONEY, MONEY, MONEY)


@given(KINDS, st.integers(0, 99), st.sampled_from(["1", "0.01", "0.001"]))
def test_at_the_price_it_names_a_kind_reaches_the_target_and_a_minor_unit_less_would_not(
    of: JobKind, target: int, unit: str
) -> None:
    minor = Decimal(unit)
    found = price_to_target(of, Decimal(target), minor)
    kept = 1 - Decimal(target) / 100
    assert found.price is not None
    assert found.price % minor == 0
    assert found.price * of.jobs * kept >= of.costs
    assert (found.price - minor) * of.jobs * kept < of.costs


@given(MONEY, MONEY, MONEY, st.integers(0, 100))
def test_after_the_saving_it_names_the_target_is_reached(
    revenue: Decimal, consumption: Decimal, other: Decimal, target: int
) -> None:
    found = price_to_target(JobKind(3, revenue, consumption, other), Decimal(target), CENT)
    allowed = (1 - Decimal(target) / 100) * revenue
    for cut, saved, rest in (
        (found.consumption_cut, consumption, other),
        (found.other_cut, other, consumption),
    ):
        if cut is None:
            assert rest > allowed
        else:
            assert saved * (1 - cut) + rest <= allowed + Decimal("0.000001")
