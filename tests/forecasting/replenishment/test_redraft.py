"""Drafts of a week worked out again: the untouched ones together, with fresh stock and forecast."""

from decimal import Decimal
from typing import Any

import pytest

from forecasting.models import Restock, StockingTerms
from forecasting.replenishment.approval import approve, change
from forecasting.replenishment.redraft import draft_again, draft_week_again
from forecasting.workflow import StepConflict
from inventory.models import Place
from tests.forecasting.restock_shop import DISC, NOW, WEEK, draft, forecast, line, open_restock_shop
from tests.inventory.small_shop import receive

pytestmark = pytest.mark.django_db

BURN = (10, 40, 50, 60, 70, 80, 90, 99)
WHO: dict[str, Any] = {"by": "sue", "now": NOW}


@pytest.fixture
def drafts() -> dict[str, Restock]:
    """Draft both vans: 70 discs each less 5 on board van-a, of 100 in the depot; so the depot is short."""
    open_restock_shop()
    StockingTerms.objects.update(van_lead_days=0)
    return draft(forecast({(van, DISC): BURN for van in ("van-a", "van-b")}))


def suggested(drafts: dict[str, Restock]) -> dict[str, Decimal]:
    """Return the discs that each draft suggests."""
    return {van: line(restock).suggested for van, restock in drafts.items()}


def test_untouched_drafts_share_the_depot_anew(drafts: dict[str, Restock]) -> None:
    assert sum(suggested(drafts).values()) == 100
    run = drafts["van-a"].run
    assert draft_week_again(run, WEEK, **WHO) == []
    receive("R-3", 3, (DISC, "35", "87.50"))
    assert draft_week_again(run, WEEK, **WHO) == [drafts["van-a"], drafts["van-b"]]
    # By hand: 70 - 5 and 70, of 135 in the depot.
    assert suggested(drafts) == {"van-a": 65, "van-b": 70}
    assert [event.what for event in drafts["van-a"].events.all()] == ["drafted", "drafted anew"]
    assert [event.label for event in drafts["van-a"].events.all()] == ["drafted", "drafted again"]


def test_what_was_approved_or_changed_stays_and_keeps_what_it_takes(drafts: dict[str, Restock]) -> None:
    change(drafts["van-a"].pk, {DISC: Decimal(90)}, **WHO)
    run = drafts["van-a"].run
    assert draft_week_again(run, WEEK, **WHO) == [drafts["van-b"]]
    assert line(drafts["van-a"]).asked_for == 90
    # Of 100 in the depot 90 are promised by hand.
    assert suggested(drafts)["van-b"] == 10
    approve(drafts["van-a"].pk, {DISC: Decimal(40)}, **WHO)
    assert draft_week_again(run, WEEK, **WHO) == [drafts["van-b"]]
    assert suggested(drafts)["van-b"] == 60
    assert line(drafts["van-a"]).approved == 40


def test_a_newer_forecast_is_taken_up(drafts: dict[str, Restock]) -> None:
    run = forecast({("van-a", DISC): tuple(2 * each for each in BURN), ("van-b", DISC): BURN})
    assert draft_again(drafts["van-b"].pk, run, **WHO).changed
    drafts["van-b"].refresh_from_db()
    assert drafts["van-b"].run == run
    assert not draft_again(drafts["van-b"].pk, run, **WHO).changed


def test_a_van_that_needs_nothing_any_more_has_an_empty_draft(drafts: dict[str, Restock]) -> None:
    nothing = forecast({})
    assert draft_again(drafts["van-b"].pk, nothing, **WHO).changed
    assert not drafts["van-b"].lines.exists()


def test_what_is_no_draft_or_was_changed_is_refused(drafts: dict[str, Restock]) -> None:
    change(drafts["van-a"].pk, {DISC: Decimal(3)}, **WHO)
    run = drafts["van-a"].run
    with pytest.raises(StepConflict, match="was changed by hand"):
        draft_again(drafts["van-a"].pk, run, **WHO)
    approve(drafts["van-a"].pk, **WHO)
    with pytest.raises(StepConflict, match="only a draft can be recalculated"):
        draft_again(drafts["van-a"].pk, run, discard_changes=True, **WHO)
    with pytest.raises(Restock.DoesNotExist):
        draft_again(0, run, **WHO)


def test_the_depot_that_is_set_now_gives(drafts: dict[str, Restock]) -> None:
    other = Place.objects.create(code="depot-2", kind="depot")
    StockingTerms.objects.update(restock_from=other)
    assert draft_again(drafts["van-b"].pk, drafts["van-b"].run, **WHO).changed
    drafts["van-b"].refresh_from_db()
    assert (drafts["van-b"].depot, line(drafts["van-b"]).suggested) == (other, 0)
