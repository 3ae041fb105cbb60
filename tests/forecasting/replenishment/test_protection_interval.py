"""The burn of some days from that of whole weeks."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.replenishment.protection_interval import over_days

LEVELS = (0.05, 0.5, 0.95)
WEEKS = {
    1: (Decimal(2), Decimal(10), Decimal(20)),
    2: (Decimal(8), Decimal(20), Decimal(36)),
    4: (Decimal(20), Decimal(40), Decimal(62)),
}


def days(number: int) -> tuple[Decimal, ...]:
    return over_days(WEEKS, LEVELS, number)


def test_whole_weeks_are_as_they_were_forecast() -> None:
    assert [days(7), days(14), days(28)] == list(WEEKS.values())


def test_between_weeks_the_median_runs_evenly_and_the_spread_with_the_root_of_time() -> None:
    # 9 days are 1.285714 weeks: the median is 10 + 0.285714 x 10. The root of that is 1.133893, which is
    # 0.323247 of the way from 1 to 1.414214; the distances go from -8 to -12 and from 10 to 16.
    assert days(9) == (Decimal("3.5642"), Decimal("12.8571"), Decimal("24.7966"))


def test_part_of_the_first_week_is_less_even_than_the_week() -> None:
    # 3 days: the median is 10 x 3/7, the distances 0.654654 of those of the week.
    assert days(3) == (Decimal(0), Decimal("4.2857"), Decimal("10.8323"))


def test_beyond_the_last_week_it_goes_on() -> None:
    # 8 weeks are twice 4: twice the median, 1.414214 times the distances.
    assert days(56) == (Decimal("51.7157"), Decimal(80), Decimal("111.1127"))


@given(st.integers(1, 60))
def test_quantiles_rise_and_a_longer_time_takes_no_less(number: int) -> None:
    found, longer = days(number), days(number + 1)
    assert sorted(found) == list(found)
    assert found[1:] <= longer[1:]
    assert found[2] <= longer[2]
    assert found[0] >= 0


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="not above 0"):
        days(0)
    with pytest.raises(ValueError, match="no week ahead"):
        over_days({}, LEVELS, 7)
