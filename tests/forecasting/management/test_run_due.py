"""The command run_due: what it does, what it prints, and how it ends."""

import pytest
from django.core.management import CommandError
from django.utils import timezone

from forecasting.models import (
    ForecastRun,
    PeriodWork,
    Restock,
)
from forecasting.schedule import WorkKind
from forecasting.scheduler import handlers
from inventory.models import Books, Holding
from tests.forecasting.scheduler.test_runner import failing, later, run_due
from tests.forecasting.small_fleet import VANS, open_fleet

pytestmark = pytest.mark.django_db


@pytest.fixture
def fleet() -> None:
    """Open the shop of tests.forecasting.small_fleet."""
    open_fleet()


def test_the_command_says_what_it_did(fleet: None) -> None:
    said = run_due()
    assert "restock drafts" in said
    assert "3 drafts" in said
    assert "weekly letter" in said
    assert "everything agrees" in said
    assert said.count(": sent\n") == len(VANS)
    assert "nothing is due at" in run_due()


def test_the_command_does_what_is_due_at_another_moment(fleet: None) -> None:
    run_due()
    moment = later(weeks=1)
    said = run_due("--at", moment.isoformat())
    year, week, _ = moment.isocalendar()
    assert f"restock drafts {year}-W{week:02}: 3 drafts" in said
    assert Restock.objects.count() == 2 * len(VANS)
    assert all(run.known_at <= timezone.now() for run in ForecastRun.objects.all())


def test_a_moment_without_an_offset_is_on_the_shop_s_clocks() -> None:
    Books.objects.update(time_zone="Asia/Tokyo")
    run_due("--at", "2030-01-01T01:00")
    assert "2030-01-01 01:00 JST" in run_due("--at", "2030-01-01T01:00")


@pytest.mark.parametrize("moment", ["tomorrow", "25:00", "0001-01-01", "2026-13-01"])
def test_a_moment_that_is_none_is_refused(moment: str) -> None:
    with pytest.raises(CommandError, match=r"is not a moment|outside the years"):
        run_due("--at", moment)


def test_the_command_ends_with_1_when_something_failed(fleet: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(handlers._FIRST_STEPS, WorkKind.PURCHASES, failing)
    with pytest.raises(CommandError, match="1 piece of work went wrong") as ended:
        run_due()
    assert ended.value.returncode == 1


def test_the_command_ends_with_1_when_the_books_disagree(fleet: None) -> None:
    Holding.objects.filter(place__code="DEPOT").update(quantity=999)
    with pytest.raises(CommandError, match="went wrong"):
        run_due()
    check = PeriodWork.objects.get(kind=WorkKind.CHECK)
    assert check.done_at is not None
    assert check.result["disagreements"] >= 4
    assert any("DEPOT" in one and "999" in one for one in check.result["first"])
