"""How a kind of job stands, and what saving would bring it to the target; figures worked out by hand."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.profitability.target_savings import JobKind, Verdict, savings_to_target

MONEY = st.decimals(0, 100_000, places=4)


def kind(jobs: int = 20, low: float | None = None, high: float | None = None, **sums: str) -> JobKind:
    """Return 20 jobs that earned 1,000 and cost 500 in consumption and 600 otherwise, unless told."""
    amounts = {"revenue": "1000", "consumption": "500", "other_costs": "600", **sums}
    return JobKind(jobs, low=low, high=high, **{name: Decimal(amount) for name, amount in amounts.items()})


def test_by_hand() -> None:
    """Costs of 1,100 where a target of 30% allows 700: 400 less, of 500 in consumption or 600 otherwise."""
    found = savings_to_target(kind(low=-0.2, high=-0.05), Decimal(30))
    assert found.verdict == Verdict.LOSES
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
    assert savings_to_target(kind(revenue=revenue, low=-1, high=high), Decimal(30)).verdict == verdict


def test_saving_more_than_there_is_mends_nothing() -> None:
    found = savings_to_target(kind(consumption="50", other_costs="1050"), Decimal(30))
    assert found.consumption_cut is None
    assert found.other_cut is not None
    assert savings_to_target(kind(consumption="0"), Decimal(80)).consumption_cut is None


def test_few_jobs_are_said_and_none_are_on_target() -> None:
    assert savings_to_target(kind(jobs=9), Decimal(30)).few_jobs
    nothing = savings_to_target(kind(jobs=0, revenue="0", consumption="0", other_costs="0"), Decimal(30))
    assert nothing.verdict == Verdict.ON_TARGET


@pytest.mark.parametrize("target", ["-1", "100.5"])
def test_a_target_that_is_no_share_is_refused(target: str) -> None:
    with pytest.raises(ValueError, match="is not from 0 to 100"):
        savings_to_target(kind(), Decimal(target))


@given(MONEY, MONEY, MONEY, st.integers(0, 100))
def test_after_the_saving_it_names_the_target_is_reached(
    revenue: Decimal, consumption: Decimal, other: Decimal, target: int
) -> None:
    found = savings_to_target(JobKind(3, revenue, consumption, other), Decimal(target))
    allowed = (1 - Decimal(target) / 100) * revenue
    for cut, saved, rest in (
        (found.consumption_cut, consumption, other),
        (found.other_cut, other, consumption),
    ):
        if cut is None:
            assert rest > allowed
        else:
            assert saved * (1 - cut) + rest <= allowed + Decimal("0.000001")
