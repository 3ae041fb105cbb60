"""What steps of restocks and purchases have in common: a refusal tells who did what, by the shop's clocks."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from forecasting.draft_requirements import CannotDraftError
from forecasting.models import Purchase, Restock
from forecasting.purchasing import approval as purchase_approval
from forecasting.purchasing import dispatch
from forecasting.purchasing.drafts import draft_purchases
from forecasting.replenishment import approval as restock_approval
from forecasting.replenishment import pick_ship_receive
from forecasting.replenishment.drafts import draft_restocks
from forecasting.workflow import StepConflict, StepRefused
from inventory.models import Books
from shop.models import Role
from tests.forecasting import purchase_shop, restock_shop
from tests.shop.desk_pages import client

pytestmark = pytest.mark.django_db
# Seven in the morning in UTC: ten hours later by these clocks, which know no summer time.
ZONE, BY_ITS_CLOCKS = "Australia/Brisbane", "2026-03-02 17:00"
SUE: dict[str, Any] = {"by": "sue", "now": purchase_shop.NOW}


@pytest.fixture
def purchase() -> Purchase:
    """Return a draft of a shop whose clocks are far from UTC's."""
    found = purchase_shop.a_draft()
    Books.objects.update(time_zone=ZONE)
    return found


@pytest.fixture
def restock() -> Restock:
    """Return a draft of a shop whose clocks are far from UTC's."""
    restock_shop.open_restock_shop()
    Books.objects.update(time_zone=ZONE)
    run = restock_shop.forecast({("van-a", restock_shop.DISC): (1, 4, 6, 9, 14, 15, 16, 17)})
    return restock_shop.draft(run)["van-a"]


def test_a_restock_says_when_it_was_brought_where_it_is(restock: Restock) -> None:
    restock_approval.cancel(restock.pk, **SUE)
    with pytest.raises(StepConflict) as refused:
        pick_ship_receive.pick(restock.pk, **SUE)
    said = f"does not allow it (cancelled by sue on {BY_ITS_CLOCKS}); only an approved restock can be picked"
    assert said in str(refused.value)


def test_a_purchase_says_when_it_was_brought_where_it_is(purchase: Purchase) -> None:
    purchase_approval.cancel(purchase.pk, reason="", **SUE)
    with pytest.raises(StepConflict) as refused:
        dispatch.send(purchase.pk, **SUE)
    said = f"does not allow it (cancelled by sue on {BY_ITS_CLOCKS}); only an approved purchase can be sent"
    assert said in str(refused.value)


def test_a_moment_that_is_still_to_come_is_said_by_the_clocks_it_was_given_on(purchase: Purchase) -> None:
    purchase_approval.approve(purchase.pk, **SUE)
    with pytest.raises(StepRefused, match="at 2026-03-02 18:00 is still to come"):
        dispatch.mark_as_sent(purchase.pk, "by telephone", at=SUE["now"] + timedelta(hours=1), **SUE)


def test_both_say_when_a_forecast_that_is_not_finished_was_made(restock: Restock) -> None:
    run = restock_shop.forecast({})
    run.finished_at = None
    day = restock_shop.NOW.date()
    for draft in (lambda: draft_restocks(run, "2026-W11", **SUE), lambda: draft_purchases(run, day, **SUE)):
        with pytest.raises(CannotDraftError, match="The forecast of 2026-03-02 16:00 is not finished"):
            draft()


def test_a_button_pressed_on_an_order_that_is_gone_is_not_found() -> None:
    restock_shop.open_restock_shop()
    browser = client(Role.OWNER)
    for name, step in (
        ("restocks:take-back", {"status": "approved"}),
        ("purchases:step", {"step": "reopen"}),
    ):
        assert browser.post(reverse(name, args=[404]), step).status_code == 404
