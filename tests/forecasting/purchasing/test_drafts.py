"""Purchase drafts as they are stored: once a supplier and day, renewed or left alone, nothing left unsaid."""

import os
import subprocess
import sys
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from forecasting.draft_requirements import CannotDraftError
from forecasting.models import (
    PackTerms,
    Purchase,
    PurchaseLeftOut,
    PurchaseLine,
    RestockLine,
    StockingTerms,
    SupplierTerms,
)
from forecasting.purchasing.drafts import begin_order
from inventory.documents import Receipt, ReceiptLine
from inventory.ledger import post
from inventory.models import Consumable, ConsumableKind, Place, Supplier
from tests.forecasting import restock_shop
from tests.forecasting.purchase_shop import (
    COMPOUND,
    DAY,
    DISC,
    NOW,
    PAD,
    WEEK,
    a_draft,
    draft,
    events,
    forecast,
    line,
    open_purchase_shop,
    packs,
    sell,
)
from tests.inventory.small_shop import day, receive
from tests.servers import PROJECT, run_manage

D = Decimal
NEXT_DAY, TOMORROW = DAY + timedelta(days=1), NOW + timedelta(days=1)
ML = (3500, 4200, 7000, 9800, 11200)


@pytest.mark.django_db
def test_a_draft_holds_what_it_was_decided_by() -> None:
    purchase = a_draft()
    assert (purchase.number, purchase.supplier.code, purchase.depot.code) == (
        "PO-2026-0001",
        "maker",
        "depot",
    )
    assert (purchase.period, purchase.status) == ("2026-03-02", "draft")
    found = line(purchase)
    # The supplier's word alone: 7 days, deviation 1.4, and 7 to the review: 215 last. 65 are missing.
    assert found.on_hand == 150
    assert (found.reorder_level, found.suggested_packs) == (D(215), 3)
    assert found.cost == 180
    assert found.cover_days == D("22.5")
    assert found.why.startswith("150 each in the depot; ")
    assert purchase.inputs["lead_days_stated"] == 7
    assert events(purchase) == ["drafted"]


@pytest.mark.django_db
def test_the_same_day_again_changes_nothing() -> None:
    open_purchase_shop()
    run = forecast({DISC: WEEK, PAD: (10, 20, 30, 40, 50)})
    first = draft(run)
    assert [purchase.supplier.code for purchase in first] == ["maker", "trader"]
    lines = list(PurchaseLine.objects.values())
    assert draft(run) == first
    assert list(PurchaseLine.objects.values()) == lines
    # Not even for what was cancelled the same day.
    Purchase.objects.filter(supplier__code="maker").update(status="cancelled")
    assert draft(run) == first
    assert Purchase.objects.count() == 2


@pytest.mark.django_db
def test_an_untouched_draft_is_decided_anew_the_next_day() -> None:
    purchase = a_draft()
    (again,) = draft(forecast({DISC: tuple(2 * q for q in WEEK)}), NEXT_DAY, TOMORROW)
    assert (again.pk, again.number, again.period) == (purchase.pk, "PO-2026-0001", "2026-03-03")
    assert line(again).suggested_packs > 3
    assert events(again) == ["drafted", "drafted anew"]


@pytest.mark.django_db
def test_a_draft_that_is_needed_no_more_is_cancelled() -> None:
    purchase = a_draft()
    receive("R-9", 2, (DISC, "500", "1250"))
    assert draft(forecast({DISC: WEEK}), NEXT_DAY, TOMORROW) == []
    purchase.refresh_from_db()
    assert purchase.status == "cancelled"
    assert events(purchase) == ["drafted", "needed no more"]
    assert packs(purchase) == {DISC: 3}


@pytest.mark.django_db
def test_a_draft_that_a_person_changed_is_left_and_what_else_is_due_is_said() -> None:
    purchase = a_draft()
    purchase.lines.update(approved_packs=1)
    drafts = draft(forecast({DISC: WEEK, COMPOUND: ML}), NEXT_DAY, TOMORROW)
    assert drafts == []
    assert packs(purchase) == {DISC: 1}
    said = {(one.consumable, one.supplier): one.reason for one in drafts.left_out}
    assert said.keys() == {(DISC, "maker"), (COMPOUND, "maker")}
    assert "2 box more are due, but PO-2026-0001 waits, changed by hand" in said[DISC, "maker"]


@pytest.mark.django_db
def test_a_draft_that_a_person_began_is_left_and_nothing_is_drafted_beside_it() -> None:
    open_purchase_shop()
    maker = Supplier.objects.get(code="maker")
    begun = begin_order(maker, by="sue", now=NOW, today=DAY)
    assert (begun.number, begun.period) == ("PO-2026-0001", "")
    assert begin_order(maker, by="sue", now=NOW, today=DAY) == begun
    assert draft(forecast({DISC: WEEK})) == []
    assert Purchase.objects.count() == 1


@pytest.mark.django_db
def test_what_is_on_order_counts_and_what_vans_wait_for_does_too() -> None:
    purchase = a_draft()
    purchase.lines.update(approved_packs=3)
    Purchase.objects.update(status="sent", sent_at=NOW)
    assert draft(forecast({DISC: WEEK}), NEXT_DAY, TOMORROW) == []
    # A van's draft wants 60, of which the depot can give all.
    vans = restock_shop.forecast({("van-a", DISC): (20, 30, 40, 50, 55, 60, 60, 60)})
    restock_shop.draft(vans)
    wanted = RestockLine.objects.get(consumable__code=DISC).wanted
    assert wanted > 0
    (second,) = draft(forecast({DISC: WEEK}), NEXT_DAY, TOMORROW)
    found = line(second)
    assert (found.on_order, found.owed) == (75, wanted)
    assert f"75 on order, less {wanted.normalize():f} that vans wait for" in found.why
    assert second.number == "PO-2026-0002"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("missing", "said"),
    [
        ("pack", "no supplier sells it"),
        ("terms", "it is not known how long maker takes"),
        ("price", "box of 25"),
    ],
)
def test_what_nobody_can_be_asked_for_is_said(missing: str, said: str) -> None:
    open_purchase_shop()
    PackTerms.objects.filter(pack__consumable__code=DISC).delete()
    if missing == "pack":
        Consumable.objects.get(code=DISC).packs.all().delete()
    if missing == "terms":
        SupplierTerms.objects.filter(supplier__code="maker").delete()
    run = forecast({DISC: WEEK})
    drafts = draft(run)
    assert drafts == []
    (left,) = drafts.left_out
    assert left.consumable == DISC
    assert said in left.reason
    kept = PurchaseLeftOut.objects.values_list("consumable", "supplier", "reason", "at")
    assert list(kept) == [(left.consumable, left.supplier, left.reason, NOW)]
    sell(Supplier.objects.get(code="trader"), DISC, "box", "25", "60")
    assert draft(run, NEXT_DAY, TOMORROW).left_out == []
    assert not PurchaseLeftOut.objects.exists()


@pytest.mark.django_db
def test_freight_of_past_deliveries_decides_between_suppliers() -> None:
    open_purchase_shop()
    trader = Supplier.objects.get(code="trader")
    sell(trader, DISC, "box", "25", "58")
    run = forecast({DISC: WEEK})
    assert draft(run)[0].supplier == trader
    post(Receipt("R-5", day(3), "trader", "depot", (ReceiptLine(PAD, D(1), D(40)),), freight=D(4)))
    # Its freight is a tenth; 58.00 come to 63.80 at the depot, the maker's 60.00 to 60.00.
    (again,) = draft(run, NEXT_DAY, TOMORROW)
    assert again.supplier.code == "maker"


@pytest.mark.django_db
def test_nothing_is_drafted_without_a_depot_or_from_half_a_forecast() -> None:
    open_purchase_shop()
    run = forecast({DISC: WEEK})
    run.finished_at = None
    with pytest.raises(CannotDraftError, match="not finished"):
        draft(run)
    run.finished_at = NOW
    Place.objects.create(code="depot-2", kind="depot")
    with pytest.raises(CannotDraftError, match="choose one"):
        draft(run)
    StockingTerms.objects.update(restock_from=Place.objects.get(code="depot"))
    assert len(draft(run)) == 1


@pytest.mark.django_db
def test_the_number_of_queries_does_not_grow_with_the_shop() -> None:
    open_purchase_shop()

    def queries(number: int, on: date) -> int:
        for new in range(Consumable.objects.count(), number):
            Consumable.objects.create(
                code=f"c-{new}", name=f"C {new}", kind=ConsumableKind.COUNTED, stock_unit="each"
            )
            supplier = Supplier.objects.create(code=f"s-{new}")
            SupplierTerms.objects.create(supplier=supplier)
            sell(supplier, f"c-{new}", "box", "10", "5", (5, "4"))
        Purchase.objects.update(status="cancelled")
        run = forecast(dict.fromkeys(Consumable.objects.values_list("code", flat=True), WEEK))
        with CaptureQueriesContext(connection) as captured:
            assert len(draft(run, on)) == Supplier.objects.count()
        return len(captured)

    assert queries(6, DAY) == queries(40, NEXT_DAY)


RACE = """
from datetime import UTC, date, datetime
from forecasting.models import ForecastRun
from forecasting.purchasing.drafts import draft_purchases
run = ForecastRun.objects.get()
drafts = draft_purchases(run, date(2026, 3, 2), by="clock", now=datetime(2026, 3, 2, 7, tzinfo=UTC))
print([purchase.number for purchase in drafts])
"""
SET_UP = """
from tests.forecasting.purchase_shop import *
open_purchase_shop()
forecast({DISC: WEEK, PAD: (10, 20, 30, 40, 50)})
"""
COUNT = """
from forecasting.models import Purchase, PurchaseEvent, PurchaseLine
print(Purchase.objects.count(), PurchaseLine.objects.count(), PurchaseEvent.objects.count())
"""


def test_workers_drafting_the_same_day_at_once_draft_it_once(migrated_url: str) -> None:
    run_manage(migrated_url, "shell", "--no-imports", "-c", SET_UP)
    workers = [
        subprocess.Popen(
            [sys.executable, "manage.py", "shell", "--no-imports", "-c", RACE],
            cwd=PROJECT,
            env={**os.environ, "DATABASE_URL": migrated_url},
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(4)
    ]
    said = {worker.communicate(timeout=120)[0].strip() for worker in workers}
    assert said == {"['PO-2026-0001', 'PO-2026-0002']"}
    assert run_manage(migrated_url, "shell", "--no-imports", "-c", COUNT).stdout.split() == ["2", "2", "2"]
