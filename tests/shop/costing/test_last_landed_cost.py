"""The last landed unit cost: one answer everywhere, also when two receipts share a moment."""

from datetime import UTC, date
from decimal import Decimal

import pytest
from django.utils import timezone

from forecasting.policy_review.queries import look_back
from inventory.models import Consumable, Holding
from inventory.reports.iso_weeks import Weeks
from shop.costing.last_landed_cost import known_unit_costs, last_unit_costs
from shop.estimating.quote import _Costing
from shop.jobs.close_data import UsedLine
from shop.models import JobCost, Role
from tests.forecasting.restock_shop import DISC, NOW, PAD, draft, forecast, line, open_restock_shop
from tests.inventory.small_shop import correct, receive
from tests.shop.desk_pages import client
from tests.shop.job_shop import close
from tests.shop.world import amounts

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    """Two receipts of one moment: the one entered last comes first by the natural order of their ids."""
    open_restock_shop()
    receive("L-10", 3, (DISC, "10", "60"), (PAD, "10", "500"))
    receive("L-9", 3, (DISC, "10", "30"), (PAD, "10", "300"))


def worn() -> Decimal:
    """Return the wear that a job is charged for 30 of a pad's 300 minutes."""
    close("J-1", 4, UsedLine(PAD, Decimal(0), Decimal(30)))
    wear: Decimal = JobCost.objects.get(job__reference="J-1").wear
    return wear


def quoted(code: str) -> Decimal:
    """Return what an estimate counts for a unit."""
    consumable = Consumable.objects.get(code=code)
    return _Costing([consumable], date(2026, 3, 2)).unit_costs[consumable.pk]


def on_restock(code: str) -> Decimal:
    """Return what a restock counts for a unit."""
    restock = draft(forecast({("van-a", code): (1, 4, 6, 9, 11, 12, 14, 15)}))["van-a"]
    cost: Decimal = line(restock, code).unit_cost
    return cost


def looked_back(code: str) -> Decimal:
    """Return what the look back counts for a unit."""
    held = Holding.objects.filter(consumable__code=code).select_related("place", "consumable")
    return look_back(list(held), Weeks(date(2026, 2, 16), 2, UTC), NOW)[0].unit_cost


def asked(cost: str) -> str:
    """Return the page after ten discs were entered at a cost that may look odd."""
    now = timezone.now().isoformat(timespec="minutes")[:16]
    form = {"id": "R-9", "occurred_at": now, "supplier": "maker", "place": "depot", "post": "yes"}
    lines = {"line-TOTAL_FORMS": "1", "line-INITIAL_FORMS": "0", "line-0-consumable": DISC}
    entered = {**form, **lines, "line-0-quantity": "10", "line-0-cost": cost}
    return client(Role.OWNER).post("/store/receive/", entered).content.decode()


def test_all_agree_on_the_last_of_two_receipts_of_one_moment() -> None:
    assert worn() == 5
    assert amounts(quoted(PAD), looked_back(PAD), on_restock(DISC)) == (50, 50, 6)
    # More than twice the last cost is asked about.
    assert "where it last cost 6." in asked("130")


def test_all_pass_over_a_receipt_that_was_undone() -> None:
    correct("K-1", "receipt", "L-10")
    assert worn() == 3
    assert amounts(quoted(PAD), looked_back(PAD), on_restock(DISC)) == (30, 30, 3)
    assert "where it last cost 3." in asked("130")


def test_of_one_receipt_the_last_line_counts_and_freight_is_in_it() -> None:
    receive("L-11", 3, (DISC, "10", "20"), (DISC, "10", "80"), freight="20")
    assert (quoted(DISC), on_restock(DISC)) == (Decimal("9.6"), Decimal("9.6"))


def test_before_any_receipt_the_standard_counts_and_without_one_nothing_is_known() -> None:
    new = Consumable.objects.create(code="new", name="New", kind="counted", stock_unit="each")
    assert known_unit_costs([new]) == {}
    new.standard_cost = Decimal("1.25")
    assert known_unit_costs([new]) == {new.pk: Decimal("1.25")}
    assert last_unit_costs([new]) == {}
