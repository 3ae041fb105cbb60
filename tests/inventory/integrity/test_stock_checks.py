"""The checks find nothing in books kept through the door, and name what cannot be."""

from datetime import datetime, timedelta, timezone
from decimal import Decimal

import pytest
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import ledger
from inventory.db import append_only
from inventory.documents import Receipt, ReceiptLine
from inventory.integrity import value_reconciliation
from inventory.integrity.document_checks import document_disagreements
from inventory.integrity.stock_checks import Disagreement, stock_disagreements
from inventory.ledger import period_lock
from inventory.models import (
    Consumable,
    CostAdjustment,
    Document,
    Lot,
    Movement,
    Place,
)
from inventory.perpetual_valuation import valuer
from tests.inventory.small_shop import (
    ACTIONS,
    NOW,
    correct,
    count,
    day,
    give_back,
    open_shop,
    play,
    receive,
    scrap,
    transfer,
    undone_afterwards,
    use,
)
from tests.thoroughness import examples

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_shop()


def all_disagreements() -> list[Disagreement]:
    return [
        *stock_disagreements(),
        *document_disagreements(),
        *value_reconciliation.disagreements(value_reconciliation.reconcile()),
    ]


def keep_books() -> None:
    """Post one document of each kind, a provisional use that a receipt settles, and corrections."""
    receive("R-1", 0, ("disc-p400", "10", "10"), ("compound", "7", "3.33"), freight="1")
    transfer("T-1", 1, "depot", "van-a", "disc-p400", "6")
    use("J-1", 2, "van-a", "disc-p400", "13")
    receive("R-2", 3, ("disc-p400", "10", "25"))
    give_back("B-1", 4, "van-b", "J-1", "disc-p400", "2")
    scrap("S-1", 5, "depot", "compound", "1.5")
    count("C-1", 6, "depot", "disc-p400", "12")
    use("J-2", 7, "depot", "disc-p400", "1")
    use("J-3", 5, "depot", "disc-p400", "1")
    count("C-2", 8, "depot", "disc-p400", "11")
    receive("R-3", 8, ("pad", "2", "30"))
    correct("X-1", "receipt", "R-3")
    count("C-3", 9, "van-b", "disc-p400", "1")
    correct("X-2", "count", "C-3")


def test_books_kept_through_the_door_agree() -> None:
    keep_books()
    assert CostAdjustment.objects.exists()
    assert all_disagreements() == []


def test_receipts_are_where_they_went() -> None:
    """R-1: 10 discs for 10 and 7 ml for 3.33 share freight 1 as 0.75 and 0.25 (by value, in cents)."""
    receive("R-1", 0, ("disc-p400", "10", "10"), ("compound", "7", "3.33"), freight="1")
    use("J-1", 2, "van-a", "disc-p400", "4")
    scrap("S-1", 3, "depot", "disc-p400", "2")
    count("C-1", 4, "depot", "disc-p400", "7")
    found = value_reconciliation.reconcile()["disc-p400"]
    assert found.receipts == Decimal("10.75")
    assert (found.job_costs, found.scrap, found.losses) == (Decimal("4.3"), Decimal("2.15"), Decimal("1.075"))
    assert (found.adjustments, found.closing_stock) == (Decimal(0), Decimal("3.225"))
    whole = value_reconciliation.total(value_reconciliation.reconcile())
    assert (whole.receipts, whole.unexplained) == (Decimal("14.33"), Decimal(0))


@pytest.mark.slow
@settings(max_examples=examples(25), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(before=ACTIONS, after=ACTIONS, locked=st.integers(0, 20))
def test_any_history_agrees_also_across_a_lock(
    before: list[tuple[str, int, str, str, int]], after: list[tuple[str, int, str, str, int]], locked: int
) -> None:
    with undone_afterwards(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(valuer, "CHECKPOINT_EVERY", 3)
        play(before)
        period_lock.change_lock(day(locked), reason="month closed", by="test", now=NOW)
        play(after, prefix="late")
        assert all_disagreements() == []


def receive_lots() -> None:
    """Receive compound in three lots: of a said expiry, of its shelf life, and late on a day west of UTC."""
    receive("R-1", 0, ("compound", "5", "5"), expires_on="2026-02-01")
    receive("R-2", 0, ("compound", "5", "5"))
    west = datetime(2026, 1, 1, 22, tzinfo=timezone(timedelta(hours=-8)))
    line = ReceiptLine("compound", Decimal(5), Decimal(5), lot="L-3")
    ledger.post(Receipt("R-3", west, "maker", "depot", (line,)), now=NOW)


def test_lots_expire_as_said_or_by_shelf_life_from_the_shops_day() -> None:
    receive_lots()
    assert all_disagreements() == []
    Lot.objects.filter(document__client_id="R-1").update(expires_on=day(32).date())
    Lot.objects.filter(document__client_id="R-2").update(expires_on=day(92).date())
    shown = {(found.where, str(found.stored), str(found.expected)) for found in all_disagreements()}
    assert shown == {
        ("receipt R-1 line 1", "compound expiring 2026-02-02", "compound expiring 2026-02-01"),
        (
            "receipt R-2 line 1",
            "compound expiring 2026-04-03, 90 days after it came",
            "compound expiring 2026-04-01, 90 days after it came",
        ),
    }


def test_a_receipt_of_a_lot_at_a_shelf_life_behind_the_admin_is_named() -> None:
    receive_lots()
    Consumable.objects.filter(code="compound").update(shelf_life_days=30)
    assert {found.where for found in all_disagreements()} == {"receipt R-2 line 1", "receipt R-3 line 1"}


def test_impossible_movements_are_named() -> None:
    """The database refuses these by its constraints; the check does not rely on that."""
    keep_books()
    append_only.remove(connection)
    supplier = Place.objects.get(code="supplier")
    Movement.objects.filter(document__client_id="J-2").update(source=supplier)
    found = [(item.what, item.where, item.stored) for item in all_disagreements()]
    assert ("movement's places", "close J-2 line 1.0, disc-p400", "from supplier to job") in found


def test_progress_counts_every_consumable_and_document() -> None:
    keep_books()
    steps: list[int] = []
    assert not list(stock_disagreements(steps.append))
    assert not list(document_disagreements(steps.append))
    assert sum(steps) == 3 + Document.objects.count()
