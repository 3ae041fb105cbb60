"""The command that replays the shop's own past."""

from datetime import timedelta
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from forecasting.models import BurnForecast, ForecastRun
from inventory.models import Document
from tests.forecasting.burn_shop import MONDAY, moment, open_burn_shop, work

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]
WEEKS = 22


def on(week: int, days: int = 0) -> str:
    return str(MONDAY + timedelta(weeks=week, days=days))


def replayed(capsys: Any, *arguments: str) -> str:
    call_command("replay_policy", *arguments)
    out: str = capsys.readouterr().out
    return out


def test_settings_are_compared_over_all_by_class_and_by_van_and_nothing_is_kept(capsys: Any) -> None:
    open_burn_shop(WEEKS)
    before = Document.objects.count()
    out = replayed(capsys, "--from", on(9, days=2), "--to", on(WEEKS, days=1))
    # From the next Monday on to the last Sunday.
    assert f"{on(10)} to {on(WEEKS - 1, days=6)}" in out
    for title in ("All vans", "By service class", "By van"):
        assert title in out
    for row in (
        "in force",
        "half the shortages",
        "review every 14 days",
        "van-a, in force",
        "van-b, in force",
    ):
        assert row in out
    assert not ForecastRun.objects.exists()
    assert not BurnForecast.objects.exists()
    assert Document.objects.count() == before


def test_only_what_was_recorded_by_then_counts_unless_asked(capsys: Any) -> None:
    open_burn_shop(0)
    for van in ("van-a", "van-b"):
        work(van, range(WEEKS), recorded=moment(WEEKS))
    period = ("--from", on(10), "--to", on(WEEKS - 1, days=6))
    with pytest.raises(CommandError, match="add --whenever-recorded"):
        call_command("replay_policy", *period)
    assert "All vans" in replayed(capsys, *period, "--whenever-recorded")


@pytest.mark.parametrize(
    ("start", "end", "says"),
    [
        (on(12), on(3), "is before --from"),
        (on(10), "2099-01-01", "is not over yet"),
        (on(10), on(12), "holds 2 whole weeks"),
        (on(0), on(150), "holds 150 weeks; replay at most 104"),
        (on(2), on(20), "A forecast needs 8 weeks of work before it"),
        ("2024-02-31", on(20), "is not a date"),
    ],
)
def test_a_period_that_cannot_be_replayed_is_refused_with_the_reason(start: str, end: str, says: str) -> None:
    open_burn_shop(4)
    with pytest.raises(CommandError, match=says):
        call_command("replay_policy", "--from", start, "--to", end)


def test_without_any_use_there_is_nothing_to_replay() -> None:
    open_burn_shop(0)
    end = timezone.now().date() - timedelta(days=1)
    with pytest.raises(CommandError, match="No van has used anything yet"):
        call_command("replay_policy", "--from", str(end - timedelta(weeks=20)), "--to", str(end))
