"""The page of periodic work: what was done, what failed, and what comes."""

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from forecasting.models import (
    PeriodWork,
)
from forecasting.schedule import WorkKind
from forecasting.scheduler import handlers
from inventory.models import Holding
from shop.models import Person
from tests.forecasting.scheduler.test_runner import everything, failing
from tests.forecasting.small_fleet import open_fleet

pytestmark = pytest.mark.django_db


@pytest.fixture
def fleet() -> None:
    """Open the shop of tests.forecasting.small_fleet."""
    open_fleet()


@pytest.fixture
def owner(client: Client) -> Client:
    """Sign the owner in."""
    client.force_login(Person.objects.create(username="olga", role="owner"))
    return client


def test_the_page_says_what_comes_before_anything_was_done(owner: Client) -> None:
    page = owner.get("/work/").content.decode()
    assert "Nothing was done yet" in page
    assert "ledger check" in page


def test_the_page_shows_what_was_done_and_what_failed(
    fleet: None, owner: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(handlers._FIRST_STEPS, WorkKind.PURCHASES, failing)
    everything()
    page = owner.get("/work/").content.decode()
    assert "3 drafts" in page
    assert "the moon is in the way" in page
    assert "everything agrees" in page
    assert "failed" in page


def test_the_page_shows_disagreements_of_the_books(fleet: None, owner: Client) -> None:
    Holding.objects.filter(place__code="DEPOT").update(quantity=999)
    everything()
    page = owner.get("/work/").content.decode()
    assert "found the books inconsistent" in page
    assert 'role="alert"' in page


def test_the_page_takes_as_many_queries_for_much_as_for_little(fleet: None, owner: Client) -> None:
    everything()

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert owner.get("/work/").status_code == 200
        return len(captured)

    few = queries()
    PeriodWork.objects.bulk_create(
        PeriodWork(kind=WorkKind.CHECK, period=f"2020-01-{day:02}", error="no") for day in range(1, 31)
    )
    assert queries() == few
