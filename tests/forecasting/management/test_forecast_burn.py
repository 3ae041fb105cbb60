"""The command that forecasts the burn: what it prints, and what it refuses."""

from datetime import timedelta

import pytest
from django.core.management import CommandError
from django.utils import timezone

from forecasting.models import BurnForecast, ForecastRun
from tests.forecasting.burn_shop import WEEKS, moment, open_burn_shop
from tests.shop.job_shop import open_job_shop
from tests.shop.world import run

pytestmark = pytest.mark.django_db


def test_it_prints_a_row_for_each_van_and_consumable_and_how_such_forecasts_did() -> None:
    open_burn_shop()
    printed = run("forecast_burn", "--at", f"{moment(WEEKS):%Y-%m-%d}", "--weeks", "3")
    assert f"Burn per week, from {WEEKS} whole weeks from 2024-01-01" in printed
    assert "Burn over 3 weeks" in printed
    stored = ForecastRun.objects.get()
    assert stored.summary["in_words"] in printed
    assert stored.made_by == "forecast_burn"
    row = BurnForecast.objects.get(
        run=stored, place__code="van-a", consumable__code="disc-p400", weeks_ahead=3
    )
    line = next(
        line for line in printed.split("Burn over")[1].splitlines() if "van-a  disc-p400 (each)" in line
    )
    level = stored.levels.index(0.95)
    assert row.quantiles[stored.levels.index(0.5)] in line.split()
    assert line.endswith(f"{row.demand_class}  {row.held[level]} of {row.tested} times")


def test_without_history_it_says_so() -> None:
    open_job_shop()
    printed = run("forecast_burn")
    assert "(nothing yet)" in printed
    assert "nothing to forecast" in printed


def test_one_week_is_too_little_for_a_claim() -> None:
    open_burn_shop(1)
    printed = run("forecast_burn", "--at", f"{moment(1):%Y-%m-%d}")
    assert "from 1 whole week from" in printed
    assert "too little history" in printed


def test_a_day_before_anything_was_recorded_is_explained() -> None:
    open_burn_shop(2)
    printed = run("forecast_burn", "--at", "2020-03-04")
    assert "recorded later, as by an import, was not known then" in printed


@pytest.mark.parametrize("weeks", ["0", "27", "-1", "two", "1.5", "9" * 30, ""])
def test_weeks_that_cannot_be_forecast_are_refused(weeks: str) -> None:
    with pytest.raises(CommandError, match="is not a number of weeks from 1 to 26"):
        run("forecast_burn", f"--weeks={weeks}")
    assert not ForecastRun.objects.exists()


@pytest.mark.parametrize(
    ("day", "reason"),
    [
        ("31.12.2025", "is not a date"),
        ("2026-02-30", "is not a date"),
        (f"{timezone.now() + timedelta(days=3):%Y-%m-%d}", "is still to come; give a day that has begun"),
    ],
)
def test_days_that_cannot_be_known_are_refused(day: str, reason: str) -> None:
    with pytest.raises(CommandError, match=reason):
        run("forecast_burn", f"--at={day}")
    assert not ForecastRun.objects.exists()
