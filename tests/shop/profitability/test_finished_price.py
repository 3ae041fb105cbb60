"""The price of finished jobs: by hand, by trying it on, and its interval against resampling done plainly."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.profitability.finished_price import JobSums, finished_price

CENT = Decimal("0.01")
ZERO = Decimal(0)


def done(price: str, costs: str) -> JobSums:
    return JobSums(1, 1, 0, Decimal(price), ZERO, Decimal(costs))


def failed(paid: str, costs: str) -> JobSums:
    return JobSums(1, 0, 1, ZERO, Decimal(paid), Decimal(costs))


def margin_percent(parts: list[JobSums]) -> Decimal:
    revenue = sum((part.finished_revenue + part.other_revenue for part in parts), ZERO)
    return 100 * (revenue - sum((part.costs for part in parts), ZERO)) / revenue


def test_finished_jobs_carry_what_failed_ones_cost() -> None:
    """Costs are 270, failed jobs paid 30: (270 - 30) / 2 loses nothing, (270 / 0.75 - 30) / 2 leaves 25%."""
    parts = [done("100", "60"), done("150", "60"), failed("30", "90"), failed("0", "60")]
    found = finished_price(parts, Decimal(25), CENT)
    assert (found.jobs, found.finished, found.failed, found.failed_share) == (4, 2, 2, 0.5)
    assert (found.now, found.no_loss, found.for_target) == (Decimal(125), Decimal(120), Decimal(165))
    assert (
        margin_percent([replace(part, finished_revenue=Decimal(165 * part.finished)) for part in parts]) == 25
    )


def test_prices_are_whole_minor_units_rounded_up() -> None:
    parts = [done("10", "10"), done("10", "10"), done("10", "10.01")]
    assert finished_price(parts, ZERO, CENT).no_loss == Decimal("10.01")
    assert finished_price(parts, ZERO, Decimal(1)).no_loss == 11
    assert finished_price(parts, ZERO, Decimal("0.001")).no_loss == Decimal("10.004")


def test_where_failed_tries_pay_for_all_the_price_is_nothing_and_not_below() -> None:
    found = finished_price([done("50", "10"), failed("500", "10")], Decimal(25), CENT)
    assert found.no_loss == found.for_target == 0


@pytest.mark.parametrize("parts", [[], [failed("0", "60")], [JobSums(0, 0, 0, ZERO, ZERO, Decimal(5))]])
def test_without_a_finished_job_no_price_does_it(parts: list[JobSums]) -> None:
    found = finished_price(parts, Decimal(25), CENT)
    assert (found.now, found.no_loss, found.for_target, found.low, found.high) == (None,) * 5
    assert found.failed_share == (1 if parts and parts[0].jobs else None)


def test_no_price_leaves_everything() -> None:
    found = finished_price([done("100", "60"), done("90", "70")], Decimal(100), CENT)
    assert found.for_target is None
    assert found.low is None
    assert found.no_loss == 65


@pytest.mark.parametrize("target", [Decimal("-0.1"), Decimal("100.1")])
def test_a_target_outside_0_to_100_is_refused(target: Decimal) -> None:
    with pytest.raises(ValueError, match="is not from 0 to 100"):
        finished_price([done("100", "60")], target, CENT)


def test_the_interval_is_that_of_resampled_jobs() -> None:
    """Against resampling with another generator, each resample's price by the formula itself."""
    rng = np.random.default_rng(7)
    parts = [
        failed(f"{paid}", f"{cost:.2f}") if fails else done(f"{paid + 200}", f"{cost:.2f}")
        for fails, paid, cost in zip(
            rng.random(120) < 0.2, rng.integers(0, 60, 120), rng.gamma(9, 20, 120), strict=True
        )
    ]
    found = finished_price(parts, Decimal(25), CENT)
    costs = np.array([float(part.costs) for part in parts])
    other = np.array([float(part.other_revenue) for part in parts])
    finished = np.array([part.finished for part in parts])
    picks = np.random.default_rng(99).integers(120, size=(20_000, 120))
    prices = (costs[picks].sum(1) / 0.75 - other[picks].sum(1)) / finished[picks].sum(1)
    low, high = np.quantile(prices, [0.025, 0.975])
    assert found.low is not None
    assert found.high is not None
    assert found.for_target is not None
    assert float(found.low) == pytest.approx(low, rel=0.02)
    assert float(found.high) == pytest.approx(high, rel=0.02)
    assert found.low < found.for_target < found.high


def test_a_resample_without_a_finished_job_counts_as_a_price_beyond_all() -> None:
    """With one finished job of three, 30% of resamples, (2/3)^3, miss it: there is no upper end."""
    found = finished_price([done("100", "60"), failed("0", "50"), failed("0", "70")], Decimal(25), CENT)
    assert found.for_target is not None
    assert (found.low, found.high) == (None, None)


MONEY = st.integers(0, 100_000).map(lambda cents: Decimal(cents) / 100)


@given(
    finished=st.lists(st.tuples(MONEY, MONEY), min_size=1, max_size=9),
    unfinished=st.lists(st.tuples(MONEY, MONEY), max_size=5),
    target=st.integers(0, 95).map(Decimal),
)
def test_set_for_all_finished_jobs_it_leaves_the_target(
    finished: list[tuple[Decimal, Decimal]], unfinished: list[tuple[Decimal, Decimal]], target: Decimal
) -> None:
    parts = [done(f"{price}", f"{costs}") for price, costs in finished]
    parts += [failed(f"{paid}", f"{costs}") for paid, costs in unfinished]
    found = finished_price(parts, target, CENT).for_target
    assert found is not None
    charged = [replace(part, finished_revenue=found * part.finished) for part in parts]
    revenue = sum((part.finished_revenue + part.other_revenue for part in charged), ZERO)
    short = revenue * (1 - target / 100) - sum((part.costs for part in parts), ZERO)
    # At least the target; rounding up gives no more than a cent for each finished job, unless it is free.
    assert short >= -Decimal("1e-20")
    assert found == 0 or short < CENT * len(finished)
