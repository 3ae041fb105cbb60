"""The shop's zone is kept once, with the books; what is dated by it follows a change, or is repaired."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory import ledger
from inventory.documents import Receipt, ReceiptLine
from inventory.integrity.document_checks import document_disagreements
from inventory.ledger.period_lock import change_lock
from inventory.models import Books, Consumable, Document, Lot, LotCheckpoint
from inventory.reports.expiring_stock import expiring
from shop.jobs import close_job
from shop.models import Person, Role, the_shop
from shop.setup.shop_settings import SettingChanges, set_up
from tests.inventory.small_shop import NOW, open_shop, receive, undone_afterwards
from tests.servers import run_manage
from tests.shop import world

EVENING = datetime(2026, 1, 31, 22, 30, tzinfo=UTC)


@pytest.fixture
def _shop(db: None) -> None:
    open_shop()


def deliver(id_: str, occurred_at: datetime, expires_on: str = "") -> ledger.Posting:
    line = ReceiptLine("compound", Decimal(5), Decimal(5), expires_on=expires_on)
    return ledger.post(Receipt(id_, occurred_at, "maker", "depot", (line,)), now=NOW)


@pytest.mark.usefixtures("_shop")
def test_the_shop_and_its_books_have_one_zone() -> None:
    set_up(SettingChanges(time_zone="Asia/Tokyo"))
    assert the_shop().time_zone == Books.objects.get().time_zone == "Asia/Tokyo"
    assert the_shop().zone == Books.objects.get().zone == ZoneInfo("Asia/Tokyo")
    set_up(SettingChanges(name="Same clocks"))
    assert the_shop().time_zone == "Asia/Tokyo"


@pytest.mark.usefixtures("_shop")
@settings(max_examples=15)
@given(
    st.sampled_from(["Pacific/Kiritimati", "Pacific/Pago_Pago", "Asia/Kathmandu", "Europe/Lisbon"]),
    st.timedeltas(timedelta(), timedelta(days=100)),
)
def test_lots_are_dated_anew_when_the_shops_clocks_are_set_otherwise(zone: str, since: timedelta) -> None:
    with undone_afterwards():
        deliver("R-1", datetime(2026, 1, 1, tzinfo=UTC) + since)
        deliver("R-2", datetime(2026, 1, 1, tzinfo=UTC) + since, expires_on="2026-12-31")
        set_up(SettingChanges(time_zone=zone))
        received_on = (datetime(2026, 1, 1, tzinfo=UTC) + since).astimezone(ZoneInfo(zone)).date()
        days = Lot.objects.order_by("pk").values_list("expires_on", flat=True)
        assert list(days) == [received_on + timedelta(days=90), date(2026, 12, 31)]
        assert list(document_disagreements()) == []


@pytest.mark.usefixtures("_shop")
def test_what_was_put_away_of_lots_is_forgotten_when_their_days_change(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("inventory.reports.expiring_stock.CHECKPOINT_EVERY", 1)
    for number in range(4):
        deliver(f"R-{number}", EVENING + timedelta(days=number))
    before = [row.expires_on for row in expiring(date(2026, 12, 31))]
    assert LotCheckpoint.objects.exists()
    set_up(SettingChanges(time_zone="Asia/Tokyo"))
    assert [row.expires_on for row in expiring(date(2026, 12, 31))] == [
        day + timedelta(days=1) for day in before
    ]


@pytest.mark.usefixtures("_shop")
def test_a_shelf_life_changed_by_the_api_leaves_lots_as_they_are() -> None:
    receive("R-1", 0, ("compound", "5", "5"))
    client = Client()
    client.force_login(Person.objects.create_user("owner", role=Role.OWNER))
    body = {"name": "Compound", "kind": "measured", "stock_unit": "ml", "shelf_life_days": 30}
    answer = client.put("/api/v1/consumables/compound", body, content_type="application/json")
    assert answer.status_code == 200, answer.content
    assert list(document_disagreements()) == []
    Lot.objects.update(expires_on=date(2026, 4, 2))
    assert [found.what for found in document_disagreements()] == ["lot"]


@pytest.mark.usefixtures("_shop")
def test_a_flag_stored_on_other_clocks_is_shown_with_the_shops_day() -> None:
    change_lock(EVENING, reason="month end", by="", now=NOW)
    deliver("R-1", EVENING - timedelta(days=1))
    stored = "happened in a locked period; counts on 2026-01-31"
    assert Document.objects.get().flags == [stored]
    Books.objects.update(time_zone="Asia/Tokyo")
    client = Client()
    client.force_login(Person.objects.create_user("owner", role=Role.OWNER))
    shown = f"{stored} (by the shop&#x27;s clocks: 2026-02-01)"
    assert shown in client.get(reverse("store:document", args=["receipt", "R-1"])).content.decode()
    assert client.get("/api/v1/receipts/R-1").json()["flags"] == [shown.replace("&#x27;", "'")]


@pytest.mark.usefixtures("_shop")
def test_a_lot_counted_by_a_forgotten_shelf_life_says_so_on_the_page_of_its_receipt() -> None:
    deliver("R-1", EVENING)
    deliver("R-2", EVENING, expires_on="2026-12-31")
    Consumable.objects.update(shelf_life_days=30)
    client = Client()
    client.force_login(Person.objects.create_user("owner", role=Role.OWNER))
    page = reverse("store:document", args=["receipt", "R-1"])
    assert "give or take a day" not in client.get(page).content.decode()
    Lot.objects.filter(document__client_id="R-1").update(shelf_life_days=None)
    assert "line 1 expires on 2026-05-01, give or take a day" in client.get(page).content.decode()
    said = client.get(reverse("store:document", args=["receipt", "R-2"])).content.decode()
    assert "give or take a day" not in said


# As the code of before these migrations left it: lots of both consumables dated from the sender's day, the
# second one's shelf life changed since.
BOOKS_OF_BEFORE = """
from datetime import date
from django.contrib.admin.models import CHANGE, LogEntry
from inventory.models import Books, Consumable, Lot, LotCheckpoint
from shop.models import Person
from tests.inventory.small_shop import open_shop
from tests.shop.test_shop_days import EVENING, deliver
open_shop()
Books.objects.update(time_zone="Pacific/Auckland")
deliver("R-1", EVENING)
deliver("R-2", EVENING, expires_on="2026-12-31")
Consumable.objects.filter(code="compound").update(code="glue", shelf_life_days=30)
owner = Person.objects.create_user("owner")
glue = Consumable.objects.get(code="glue")
said = [{"changed": {"fields": ["Shelf life days"]}}]
LogEntry.objects.log_actions(owner.pk, [glue], CHANGE, said, single_object=True)
Consumable.objects.create(code="compound", name="C", kind="measured", stock_unit="ml", shelf_life_days=90)
deliver("R-3", EVENING)
deliver("R-4", EVENING, expires_on="2026-12-31")
Lot.objects.exclude(expires_on=date(2026, 12, 31)).update(expires_on=date(2026, 5, 1))
LotCheckpoint.objects.create(consumable=glue, occurred_at=EVENING, last_movement=1, state={})
"""
LOTS_OF_NOW = """
from inventory.models import Lot, LotCheckpoint
from shop.models import the_shop
print(the_shop().time_zone, LotCheckpoint.objects.count())
for lot in Lot.objects.order_by("pk"):
    print(lot.document.client_id, lot.expires_on, lot.shelf_life_days)
"""


def test_what_is_stored_wrongly_is_repaired_where_it_can_be(database_url: str) -> None:
    run_manage(database_url, "migrate", "--verbosity=0")
    run_manage(database_url, "shell", "--verbosity=0", stdin=BOOKS_OF_BEFORE)
    run_manage(database_url, "migrate", "shop", "0009", "--verbosity=0")
    run_manage(database_url, "migrate", "inventory", "0005", "--verbosity=0")
    run_manage(database_url, "migrate", "--verbosity=0")
    shown = run_manage(database_url, "shell", "--verbosity=0", stdin=LOTS_OF_NOW).stdout
    assert shown.splitlines() == [
        "Pacific/Auckland 0",
        "R-1 2026-05-01 None",
        "R-2 2026-12-31 None",
        "R-3 2026-05-02 90",
        "R-4 2026-12-31 None",
    ]
    content = run_manage(database_url, "check_ledger", check=False).stdout
    # The test renamed what a receipt names; nothing else differs.
    assert "R-3" not in content
    assert "R-4" not in content


@pytest.mark.django_db
def test_a_close_that_is_still_to_come_is_questioned_on_the_shops_clocks() -> None:
    world.open_shop("Asia/Tokyo")
    told = close_job.close_job(world.closing_of("J-1", "2026-12-01 13:00"), now=world.NOW)
    (question,) = (finding for finding in told.findings if "clock right" in finding)
    assert question.startswith("The job is closed at 2026-12-01 22:00, but it is 2026-12-01 21:00 now.")
