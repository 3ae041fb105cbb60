"""The audit trail tells what was done to restocks and purchases."""

import pytest
from django.utils import timezone

from forecasting.models import RestockEvent
from shop.people.audit_log import Wanted, acts, kinds
from tests.forecasting.restock_shop import restock_of
from tests.shop.api.served_shop import open_served_shop, signed_in

pytestmark = pytest.mark.django_db


def test_a_step_of_a_restock_is_an_act_of_the_trail() -> None:
    open_served_shop()
    restock = restock_of("van-b")
    RestockEvent.objects.create(restock=restock, what="approved", at=timezone.now(), by="sue")
    assert {"restocks", "purchases"} <= set(kinds())
    told = acts(Wanted(kind="restocks", who="sue"), None, 10)
    assert told[0].what == f"restock {restock}: approved"
    assert "approved" in signed_in("olga").get("/people/trail/?kind=restocks").content.decode()
