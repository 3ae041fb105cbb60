"""lock_period: lock through a day, reopen from a day, or show how far the books are locked."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.management import CommandError
from django.utils import timezone

from inventory.ledger.period_lock import open_from
from inventory.models import Books, PeriodChange
from shop.accounting.period_close import LockError, check_locking
from tests.shop.world import run

pytestmark = pytest.mark.django_db


def test_without_options_it_shows_the_state() -> None:
    assert run("lock_period") == "nothing is locked\n"
    run("lock_period", "--through", "2026-01-31", "--reason", "VAT handed in")
    assert run("lock_period") == "locked through 2026-01-31: VAT handed in\n"
    assert PeriodChange.objects.count() == 1


def test_a_period_is_locked_to_the_end_of_its_last_day_on_the_shops_clocks() -> None:
    """Lisbon keeps UTC in winter and is an hour ahead in summer."""
    Books.objects.update(time_zone="Europe/Lisbon")
    run("lock_period", "--through", "2026-01-31")
    assert open_from() == datetime(2026, 2, 1, tzinfo=UTC)
    run("lock_period", "--through", "2026-06-30")
    assert open_from() == datetime(2026, 6, 30, 23, tzinfo=UTC)
    assert run("lock_period") == "locked through 2026-06-30: closed through 2026-06-30\n"


def test_a_day_is_over_at_the_moment_at_which_the_next_one_begins() -> None:
    midnight = datetime(2026, 2, 1, tzinfo=UTC)
    assert check_locking(date(2026, 1, 31), "", midnight) == midnight
    with pytest.raises(LockError, match="has not ended yet"):
        check_locking(date(2026, 1, 31), "", midnight - timedelta(microseconds=1))


def test_locking_the_same_day_again_changes_nothing() -> None:
    run("lock_period", "--through", "2026-01-31")
    run("lock_period", "--through", "2026-01-31", "--reason", "again")
    assert PeriodChange.objects.get().reason == "closed through 2026-01-31"


def test_reopening_keeps_who_why_and_what_was_locked_before(monkeypatch: pytest.MonkeyPatch) -> None:
    run("lock_period", "--through", "2026-02-28")
    monkeypatch.setattr("builtins.input", lambda _question: "y")
    printed = run("lock_period", "--reopen-from", "2026-02-01", "--reason", "a receipt was missing")
    assert printed == "locked through 2026-01-31: a receipt was missing\n"
    assert [change.locked_until for change in PeriodChange.objects.all()] == [
        datetime(2026, 3, 1, tzinfo=UTC),
        datetime(2026, 2, 1, tzinfo=UTC),
    ]
    assert {change.changed_by for change in PeriodChange.objects.all()} == {"lock_period"}


def test_reopening_asks_first(monkeypatch: pytest.MonkeyPatch) -> None:
    run("lock_period", "--through", "2026-02-28")
    monkeypatch.setattr("builtins.input", lambda _question: "n")
    with pytest.raises(CommandError, match="nothing was changed"):
        run("lock_period", "--reopen-from", "2026-02-01", "--reason", "why not")
    assert PeriodChange.objects.count() == 1
    run("lock_period", "--reopen-from", "2026-02-01", "--reason", "sure", "--yes")
    assert open_from() == datetime(2026, 2, 1, tzinfo=UTC)


def test_without_a_terminal_reopening_needs_a_yes(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_terminal(_question: str) -> str:
        raise EOFError

    run("lock_period", "--through", "2026-02-28")
    monkeypatch.setattr("builtins.input", no_terminal)
    with pytest.raises(CommandError, match="add --yes"):
        run("lock_period", "--reopen-from", "2026-02-01", "--reason", "sure")


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--through", "2026-01-31"], "reopen what follows it"),
        (["--reopen-from", "2026-02-01"], "give the reason for reopening"),
        (["--reopen-from", "2026-03-01", "--reason", "x"], "open from 2026-03-01 on already"),
        (["--through", "2026-03-31", "--reason", "x" * 501], "longer than 500"),
        (["--through", "2026-03-31", "--reopen-from", "2026-02-01"], "not allowed with"),
        (["--through", "1999-12-31"], "outside the years 2000 to 2100"),
        (["--through", "31.01.2026"], "'31.01.2026' is not a date; write it as 2026-12-31"),
    ],
)
def test_what_makes_no_sense_is_explained_and_changes_nothing(arguments: list[str], complaint: str) -> None:
    run("lock_period", "--through", "2026-02-28")
    with pytest.raises(CommandError, match=complaint):
        run("lock_period", *arguments)
    assert PeriodChange.objects.count() == 1


def test_a_period_that_has_not_ended_cannot_be_locked() -> None:
    tomorrow = timezone.now().date() + timedelta(days=1)
    with pytest.raises(CommandError, match="has not ended yet; lock days that are over"):
        run("lock_period", "--through", tomorrow.isoformat())
