"""Margin ratios: their interval, what cannot have one, and shrinkage."""

from collections.abc import Sequence
from random import Random

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from statsmodels.stats.meta_analysis import combine_effects

from shop.profitability.ratio_intervals import (
    MOST_JOBS_RESAMPLED,
    IntervalMethod,
    RatioSums,
    bootstrap_margin_ratio,
    delta_margin_ratio,
    margin_ratio,
    ratio_standard_error,
    ratio_sums,
    shrink,
    shrunk_ratios,
)

jobs = st.lists(
    st.tuples(st.integers(-500, 500), st.one_of(st.just(0), st.integers(20, 900))), min_size=1, max_size=25
)


def invented_jobs(count: int, seed: int = 7) -> tuple[Sequence[float], Sequence[float]]:
    """Return margins and revenues of `count` jobs, one in twenty abandoned without revenue."""
    rng = np.random.default_rng(seed)
    revenue = rng.gamma(4, 45, count) * (rng.random(count) > 0.05)
    cost = rng.gamma(6, 18, count)
    return (revenue - cost).tolist(), revenue.tolist()


def test_the_ratio_is_of_the_sums_and_not_the_mean_of_ratios() -> None:
    assert margin_ratio([10, 90], [100, 100]).ratio == pytest.approx(0.5)
    assert margin_ratio([10, 0], [100, 900]).ratio == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("margins", "revenues", "ratio", "note"),
    [
        ([], [], None, "no jobs"),
        ([-40, -30], [0, 0], None, "no revenue"),
        ([30], [100], 0.3, "one job: no interval"),
        ([-30], [0], None, "no revenue"),
        ([30, 30, 30], [100, 100, 100], 0.3, "all 3 jobs alike: no spread to judge by"),
        ([30, 60, 15], [100, 200, 50], 0.3, "all 3 jobs alike: no spread to judge by"),
    ],
)
def test_without_an_interval_the_note_says_why(
    margins: list[float], revenues: list[float], ratio: float | None, note: str
) -> None:
    for found in (
        margin_ratio(margins, revenues),
        delta_margin_ratio(ratio_sums(margins, revenues)),
    ):
        assert found.ratio == (None if ratio is None else pytest.approx(ratio))
        assert (found.low, found.high, found.method, found.note) == (None, None, IntervalMethod.NONE, note)


def test_mostly_abandoned_jobs_have_no_interval() -> None:
    found = margin_ratio([50, -60, -60, -60], [100, 0, 0, 0])
    assert found.ratio == pytest.approx(-1.3)
    assert (found.low, found.high, found.note) == (None, None, "too few jobs with revenue for an interval")


def test_few_jobs_are_labelled_and_many_are_not() -> None:
    assert margin_ratio(*invented_jobs(9)).note == "only 9 jobs: the interval is rather too narrow"
    assert margin_ratio(*invented_jobs(10)).note == ""


def test_the_size_of_the_group_chooses_the_method() -> None:
    assert margin_ratio(*invented_jobs(MOST_JOBS_RESAMPLED)).method is IntervalMethod.BOOTSTRAP
    assert margin_ratio(*invented_jobs(MOST_JOBS_RESAMPLED + 1)).method is IntervalMethod.DELTA


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_bootstrap_and_delta_agree_on_a_large_group(level: float) -> None:
    margins, revenues = invented_jobs(1000)
    by_resampling = bootstrap_margin_ratio(margins, revenues, level=level, resamples=4000)
    by_sums = delta_margin_ratio(ratio_sums(margins, revenues), level=level)
    assert by_resampling.ratio == by_sums.ratio
    assert by_sums.low is not None
    assert by_sums.high is not None
    # With 4,000 resamples an end of the interval is itself uncertain by about 5% of its width at most.
    within = 0.05 * (by_sums.high - by_sums.low)
    assert by_resampling.low == pytest.approx(by_sums.low, abs=within)
    assert by_resampling.high == pytest.approx(by_sums.high, abs=within)


def test_the_interval_of_mirrored_margins_is_the_mirrored_interval() -> None:
    # Either end leaves out as many resamples as the other.
    margins, revenues = [30.0, -10.0, 55.0, 70.0, 20.0, 90.0], [100.0, 110.0, 120.0, 130.0, 140.0, 150.0]
    found = bootstrap_margin_ratio(margins, revenues)
    mirrored = bootstrap_margin_ratio([-margin for margin in margins], revenues)
    assert mirrored.low is not None
    assert mirrored.high is not None
    assert (found.low, found.high) == (-mirrored.high, -mirrored.low)


def test_the_delta_interval_covers_the_truth_about_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(400):
        revenue = rng.gamma(4, 45, 250)
        found = delta_margin_ratio(ratio_sums(revenue - rng.gamma(6, 18, 250), revenue))
        assert found.low is not None
        assert found.high is not None
        covered += found.low < 1 - 108 / 180 < found.high
    # 95% of 400 is 380, with a standard deviation of 4.4.
    assert 362 <= covered <= 396


@settings(max_examples=30)
@given(jobs, st.randoms(use_true_random=False))
def test_the_order_of_jobs_does_not_matter(pairs: list[tuple[int, int]], random: Random) -> None:
    shuffled = list(pairs)
    random.shuffle(shuffled)
    in_order, out_of_order = (
        margin_ratio([m for m, _ in some], [r for _, r in some]) for some in (pairs, shuffled)
    )
    assert in_order == out_of_order


@settings(max_examples=30)
@given(jobs, st.sampled_from([0.25, 4.0, 1024.0]))
def test_another_currency_changes_nothing(pairs: list[tuple[int, int]], scale: float) -> None:
    # Powers of two, so that scaling itself is exact.
    plain = margin_ratio([m for m, _ in pairs], [r for _, r in pairs])
    assert margin_ratio([m * scale for m, _ in pairs], [r * scale for _, r in pairs]) == plain


@settings(max_examples=30)
@given(jobs)
def test_a_higher_level_is_never_narrower(pairs: list[tuple[int, int]]) -> None:
    margins, revenues = [m for m, _ in pairs], [r for _, r in pairs]
    narrow, wide = (bootstrap_margin_ratio(margins, revenues, level=level) for level in (0.8, 0.95))
    if narrow.low is not None and narrow.high is not None and wide.low is not None and wide.high is not None:
        assert wide.low <= narrow.low <= narrow.high <= wide.high


@given(jobs)
def test_the_sums_give_the_residuals_of_the_jobs(pairs: list[tuple[int, int]]) -> None:
    margins, revenues = np.array(pairs, dtype=float).T
    sums = ratio_sums(margins, revenues)
    assume(sums.revenue > 0)
    plain = float(((margins - margins.sum() / revenues.sum() * revenues) ** 2).sum())
    assert sums.residual == pytest.approx(plain, rel=1e-6, abs=1e-6)


def test_without_revenue_there_is_nothing_to_stray_from() -> None:
    unpaid = ratio_sums([-40, -30], [0, 0])
    assert (unpaid.ratio, unpaid.residual) == (None, 0.0)


def test_bad_input_is_refused() -> None:
    with pytest.raises(ValueError, match="2 margins have 1 revenues"):
        margin_ratio([1, 2], [3])
    with pytest.raises(ValueError, match="finite"):
        margin_ratio([1, float("nan")], [3, 4])
    with pytest.raises(ValueError, match="level 95 "):
        margin_ratio([1, 2], [3, 4], level=95)
    with pytest.raises(ValueError, match="no standard error"):
        ratio_standard_error(ratio_sums([1], [2]))


def test_fewer_than_four_groups_stay_as_they_are() -> None:
    assert shrink([0.1, 0.5, 0.9], [0.1, 0.1, 0.1]) == [0.1, 0.5, 0.9]
    assert shrink([], []) == []


def test_the_least_sure_group_moves_most() -> None:
    shrunk = shrink([0.1, 0.2, 0.3, 0.6, 0.6], [0.001, 0.001, 0.001, 0.001, 0.1])
    assert shrunk[4] < shrunk[3] < 0.6


def test_groups_no_farther_apart_than_chance_nearly_meet() -> None:
    # The spread of true values is 0; (k - 3) / (k - 1) = 3 / 5 of each distance goes.
    shrunk = shrink([0.3, 0.31, 0.32, 0.33, 0.34, 0.35], [0.1] * 6)
    assert shrunk == pytest.approx([0.315, 0.319, 0.323, 0.327, 0.331, 0.335])


estimates = st.lists(
    st.tuples(st.floats(-1, 1), st.floats(0.0001, 0.5)),
    min_size=4,
    max_size=12,
    unique_by=lambda pair: pair[0],
)


@settings(max_examples=50)
@given(estimates)
def test_shrinking_never_leaves_the_range_of_the_estimates(pairs: list[tuple[float, float]]) -> None:
    before = [estimate for estimate, _ in pairs]
    after = shrink(before, [variance for _, variance in pairs])
    assert min(before) - 1e-9 <= min(after)
    assert max(after) <= max(before) + 1e-9
    backwards = shrink(before[::-1], [variance for _, variance in reversed(pairs)])
    assert backwards[::-1] == pytest.approx(after, abs=1e-9)


def test_the_spread_between_groups_is_that_of_an_independent_program() -> None:
    rng = np.random.default_rng(3)
    y, v = rng.normal(0.3, 0.2, 9), rng.uniform(0.002, 0.05, 9)
    spread = combine_effects(y, v, method_re="iterated", atol=1e-9).tau2
    mean = (y / (v + spread)).sum() / (1 / (v + spread)).sum()
    by_hand = mean + (1 - 6 / 8 * v / (v + spread)) * (y - mean)
    assert spread > 0
    assert shrink(y.tolist(), v.tolist()) == pytest.approx(by_hand.tolist(), abs=1e-8)


def test_estimates_without_a_variance_are_refused() -> None:
    with pytest.raises(ValueError, match="2 estimates have 1 variances"):
        shrink([0.1, 0.2], [0.1])
    with pytest.raises(ValueError, match="every variance positive"):
        shrink([0.1, 0.2, 0.3, 0.4], [0.1, 0.1, 0.1, 0.0])


def group(count: int, seed: int) -> RatioSums:
    return ratio_sums(*invented_jobs(count, seed))


def test_small_groups_move_towards_the_large_ones() -> None:
    large = [group(300, seed) for seed in range(4)]
    lone = ratio_sums([-150], [100])
    unpaid = ratio_sums([-50, -20], [0, 0])
    *shrunk_large, shrunk_lone, shrunk_unpaid = shrunk_ratios([*large, lone, unpaid])
    assert lone.ratio is not None
    assert shrunk_unpaid is None
    assert shrunk_lone is not None
    assert shrunk_lone - lone.ratio > 0.5
    for before, after in zip(large, shrunk_large, strict=True):
        assert after == pytest.approx(before.ratio, abs=0.02)


def test_with_no_spread_within_groups_ratios_stay() -> None:
    lone = [ratio_sums([margin], [100]) for margin in (10, 20, 30, 40, 50)]
    assert shrunk_ratios(lone) == [0.1, 0.2, 0.3, 0.4, 0.5]
    assert shrunk_ratios([]) == []
