"""One job with a wrong date changes no forecast but its own van's, and that by no more than its week."""

from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from forecasting.burn.censoring import observed_weeks
from forecasting.burn.inputs import known_weeks
from forecasting.burn.runs import forecast_burn
from forecasting.demand.frames import SERIES, iso_weeks
from forecasting.models import BurnForecast, ForecastRun
from shop.jobs.close_data import UsedLine
from shop.jobs.close_job import close_job
from tests.forecasting.burn_shop import DISC, WEEKS, closing, moment, open_burn_shop, work

THEN = moment(WEEKS, hour=6)


def said(run: ForecastRun) -> list[tuple[object, ...]]:
    """Return what a run says of each place, consumable and week ahead."""
    found = BurnForecast.objects.filter(run=run).order_by("place", "consumable", "weeks_ahead")
    return list(found.values_list("place", "consumable", "weeks_ahead", "mean", "quantiles", "history"))


@pytest.mark.django_db
@pytest.mark.same_on_each_database
@pytest.mark.parametrize("weeks_before", [40, 100, 1190])
def test_a_close_of_another_year_leaves_every_forecast_as_it_was(weeks_before: int) -> None:
    open_burn_shop()
    before = forecast_burn(known_at=THEN, now=THEN)
    # Known a minute later, so that the two runs differ in nothing else.
    when = moment(-weeks_before)
    close_job(closing("odd", "van-a", when, (UsedLine(DISC, Decimal(2)),)), now=THEN)
    again = forecast_burn(known_at=THEN + timedelta(minutes=1), now=THEN + timedelta(minutes=1))
    assert (again.first_week, again.weeks) == (before.first_week, before.weeks)
    assert said(again) == said(before)


@pytest.mark.django_db
def test_a_slow_start_is_part_of_the_history() -> None:
    open_burn_shop()
    work("van-a", [-30, -22, -14, -6], jobs=1, seed=7)
    assert known_weeks(THEN).first == moment(-30).date()


def test_a_van_counts_from_its_own_regular_work_on() -> None:
    """A van that joined later has one close with a wrong date among the weeks in which others worked."""
    weeks = iso_weeks(date(2026, 1, 5), 40)
    series = pd.MultiIndex.from_tuples([("late", "disc"), ("old", "disc")], names=SERIES)
    jobs = pd.DataFrame({"late": [0] * 5 + [1] + [0] * 24 + [2] * 10, "old": [2] * 40}, index=weeks)
    used = [0] * 5 + [3] + [0] * 24 + [1] * 10
    use = pd.DataFrame(np.array([used, [1] * 40]).T, index=weeks, columns=series)
    seen = observed_weeks(use, jobs, pd.DataFrame(False, index=weeks, columns=series))
    assert np.flatnonzero(seen["late", "disc"]).tolist() == [5, *range(30, 40)]
    assert seen["old", "disc"].all()
