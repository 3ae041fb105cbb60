"""What is said of a margin ratio that changed."""

import numpy as np
import pytest

from shop.profitability.ratio_difference import ratio_change
from shop.profitability.ratio_intervals import MarginRatio, margin_ratio


def test_no_revenue_on_either_side_leaves_nothing_to_compare() -> None:
    known = MarginRatio(20, 0.3, 0.2, 0.4)
    assert ratio_change(MarginRatio(2, None), known).note == "no revenue in this period"
    assert ratio_change(known, MarginRatio(0, None)).note == "no revenue before"
    assert ratio_change(known, MarginRatio(0, None)).change is None


@pytest.mark.parametrize("turned", [False, True])
def test_without_an_interval_on_one_side_the_change_has_none(turned: bool) -> None:
    pair = [MarginRatio(20, 0.3, 0.2, 0.4), MarginRatio(1, 0.1)]
    found = ratio_change(*pair[::-1] if turned else pair)
    assert found.change == pytest.approx(-0.2 if turned else 0.2)
    assert (found.low, found.high, found.is_clear) == (None, None, False)
    assert ("in this period" if turned else "in the period before") in found.note


def test_few_jobs_are_said() -> None:
    found = ratio_change(MarginRatio(20, 0.3, 0.2, 0.4), MarginRatio(5, 0.1, 0.0, 0.2))
    assert "fewer than 10 jobs" in found.note


def test_equal_widths_add_up_like_standard_errors() -> None:
    found = ratio_change(MarginRatio(50, 0.3, 0.27, 0.33), MarginRatio(50, 0.3, 0.26, 0.34))
    assert found.low == pytest.approx(-0.05)
    assert found.high == pytest.approx(0.05)
    assert not found.is_clear


def test_the_interval_covers_the_true_change_about_as_often_as_it_says() -> None:
    random = np.random.default_rng(20260101)
    covered, rounds = 0, 300
    for _ in range(rounds):
        sides = []
        for mean in (0.35, 0.25):
            revenue = random.gamma(9, 20, 60)
            sides.append(margin_ratio((mean * revenue + random.normal(0, 40, 60)).tolist(), revenue.tolist()))
        found = ratio_change(*sides)
        assert found.low is not None
        assert found.high is not None
        covered += found.low <= 0.10 <= found.high
    # Three standard errors of a binomial at 0.95 are 0.038; bootstrap intervals of 60 jobs are a bit narrow.
    assert 0.90 <= covered / rounds <= 0.988
