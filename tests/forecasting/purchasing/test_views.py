"""Purchases as people see and take them, by pages and over HTTP; and how suppliers' terms are kept."""

import json
import re
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from forecasting.models import PackTerms, Purchase, PurchaseLeftOut, StockingTerms, SupplierTerms
from inventory.models import Consumable, ConsumableKind, Document, Pack, Supplier
from shop.models import Person, Role
from shop.web import code_select
from tests.forecasting.purchase_shop import COMPOUND, DISC, NOW, PAD, a_draft, depot_stock, line, packs
from tests.shop.api.served_shop import PEOPLE, problem, signed_in
from tests.shop.web.test_home_views import Page

pytestmark = pytest.mark.django_db


@pytest.fixture
def purchase() -> Purchase:
    """Draft 3 boxes of discs from the maker, in a shop of five people."""
    for name, role in PEOPLE.items():
        Person.objects.create(username=name, role=Role(role))
    return a_draft()


def see(name: str, path: str, status: int = 200) -> Page:
    """Return a page as a person sees it."""
    answer = signed_in(name).get(path)
    assert answer.status_code == status
    return Page(answer.content.decode())


def send(name: str, path: str, **fields: str) -> Page:
    """Send a form as a person, and return the page it leads to."""
    return Page(signed_in(name).post(path, fields, follow=True).content.decode())


def delivery(purchase: Purchase, **changes: str) -> dict[str, str]:
    """Return the fields of a delivery of all, as the page offers them, except for `changes`."""
    html = signed_in("sue").get(f"/purchases/{purchase.pk}/receive/").content.decode()
    fields = {
        name: value
        for name, value in re.findall(r'<input[^>]*name="([^"]+)"(?:[^>]*?value="([^"]*)")?', html)
        if name not in {"csrfmiddlewaretoken", "receipt"}
    }
    return {**fields, "rest_comes": "on", **{f"else-{n}": "" for n in range(3)}, **changes}


def bring(purchase: Purchase) -> None:
    """Approve and send by forms."""
    path = f"/purchases/{purchase.pk}/"
    number = f"packs-{line(purchase).pk}"
    assert (
        "Approved: it can be sent."
        in send("sue", f"{path}change/", **{number: "3", "note": "", "approve": "1"}).text
    )
    assert "orders@maker.example.org" in see("sue", f"{path}send/").text
    sent = send("sue", f"{path}send/", **{"by-letter": "1"})
    assert "Written: it goes out with the next letters." in sent.text


def test_the_whole_way_by_forms(purchase: Purchase) -> None:
    path = f"/purchases/{purchase.pk}/"
    seen = see("sue", path)
    for shown in (
        "Purchase PO-2026-0001 from maker",
        "65 are missing up to 215: 3 x box of 25.",
        "180.00 EUR",
    ):
        assert shown in seen.text
    bring(purchase)
    fields = delivery(purchase, **{f"packs-{line(purchase).pk}": "2", "freight": "4"})
    asked = send("sue", f"{path}receive/", **fields)
    assert "disc-p400: 50 each came of 75; 25 are missing." in asked.text
    assert "Nothing is booked yet." in asked.text
    assert depot_stock() == 150
    done = send("sue", f"{path}receive/", **fields, sure="1")
    assert "Booked." in done.text
    assert "partly received" in done.text
    assert depot_stock() == 200
    assert Document.objects.filter(client_id="PO-2026-0001-1").exists()
    again = send("sue", f"{path}receive/", **fields, sure="1")
    assert "That was booked already." in again.text
    assert depot_stock() == 200
    assert "received" in send("sue", f"{path}step/", step="rest-is-not-coming").text
    purchase.refresh_from_db()
    assert (purchase.status, purchase.rest_called_off) == ("received", True)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"packs": "-1"}, "This is negative"),
        ({"packs": "0"}, "Nothing came"),
        ({"packs": "1.5"}, "This is 37.5 each; give whole ones."),
        ({"price": ""}, "Give the price charged"),
        ({"occurred_at": "soon"}, "This is not a moment"),
        ({"else-quantity-0": "3"}, "Choose what came."),
        ({"else-0": "lost", "else-quantity-0": "3"}, "Select a valid choice"),
        ({"else-0": PAD, "else-quantity-0": "3"}, "Give what was charged"),
    ],
)
def test_a_delivery_that_cannot_be_is_shown_again(
    purchase: Purchase, change: dict[str, str], said: str
) -> None:
    bring(purchase)
    pk = line(purchase).pk
    named = {f"{name}-{pk}" if name in {"packs", "price"} else name: text for name, text in change.items()}
    answer = signed_in("sue").post(f"/purchases/{purchase.pk}/receive/", delivery(purchase, **named))
    assert answer.status_code == 400
    assert said in answer.content.decode()
    assert depot_stock() == 150


def test_wrong_packs_are_said_beside_their_line(purchase: Purchase) -> None:
    path = f"/purchases/{purchase.pk}/change/"
    answer = signed_in("sue").post(path, {f"packs-{line(purchase).pk}": "-1", "approve": "1"})
    assert answer.status_code == 400
    assert "This is negative; give 0 to strike the line out." in answer.content.decode()
    assert packs(purchase) == {DISC: 3}


def test_lists_say_when_there_is_nothing_and_take_the_same_number_of_queries(purchase: Purchase) -> None:
    assert "No purchase matches." in see("sue", "/purchases/?status=received").text

    def queries() -> int:
        client = signed_in("sue")
        with CaptureQueriesContext(connection) as captured:
            assert client.get("/purchases/").status_code == 200
        return len(captured)

    before = queries()
    for number in range(2, 22):
        Purchase.objects.create(
            number=f"PO-2026-{number:04d}",
            supplier=purchase.supplier,
            depot=purchase.depot,
            inputs={},
            made_at=purchase.made_at,
        )
    assert queries() == before


def test_what_was_left_out_is_shown_as_it_begins_and_page_by_page(purchase: Purchase) -> None:
    assert "could not be ordered" not in see("ada", "/purchases/").text
    assert "Nothing is left out" in see("sue", "/purchases/left-out/").text

    def queries(path: str) -> int:
        client = signed_in("sue")
        with CaptureQueriesContext(connection) as captured:
            assert client.get(path).status_code == 200
        return len(captured)

    def leave_out(number: int) -> None:
        PurchaseLeftOut.objects.create(consumable=f"item-{number:03}", reason="nobody sells it", at=NOW)

    leave_out(0)
    before = queries("/purchases/"), queries("/purchases/left-out/")
    for number in range(1, 120):
        leave_out(number)
    assert (queries("/purchases/"), queries("/purchases/left-out/")) == before
    shown = see("sue", "/purchases/").text
    assert "item-004 : nobody sells it" in shown
    assert "item-005" not in shown
    assert "Show all 120" in shown
    assert "120 in all" in see("ada", "/purchases/").text
    last = see("sue", "/purchases/left-out/?page=3").text
    assert "Page 3 of 3" in last
    assert ("item-099" in last, "item-100" in last, "item-119" in last) == (False, True, True)


def many_packs(supplier: Supplier) -> None:
    """Let a supplier sell 60 packs more."""
    for number in range(60):
        row = Consumable.objects.create(
            code=f"item-{number:03}", name=f"Item {number}", kind=ConsumableKind.COUNTED, stock_unit="each"
        )
        pack = Pack.objects.create(supplier=supplier, consumable=row, name="bag of ten", stock_units=10)
        PackTerms.objects.create(pack=pack, price=5)


def test_packs_of_a_supplier_are_shown_page_by_page(purchase: Purchase) -> None:
    many_packs(purchase.supplier)
    path = f"/purchases/terms/{purchase.supplier.pk}/"
    assert "Page 1 of 2" in see("sue", path).text
    last = see("sue", f"{path}?page=2").text
    assert ("Item 10:" in last, "Item 59:" in last) == (False, True)


@pytest.mark.parametrize("typed", [False, True])
@pytest.mark.parametrize("said", ["item-007 bag of ten", "item-007"])
def test_further_packs_are_chosen_or_typed(
    purchase: Purchase, monkeypatch: pytest.MonkeyPatch, *, typed: bool, said: str
) -> None:
    many_packs(purchase.supplier)
    if typed:
        monkeypatch.setattr(code_select, "MOST_OPTIONS", 20)
    path = f"/purchases/{purchase.pk}/"
    html = signed_in("sue").get(path).content.decode()
    assert ('<option value="item-007 bag of ten">Item 7: bag of ten of 10' in html) is not typed
    assert ('name="pack-0" autocomplete="off"' in html) is typed
    kept = {f"packs-{line(purchase).pk}": "3", "note": "", "pack-0": said, "added-0": "2"}
    assert "Saved." in send("sue", f"{path}change/", **kept).text
    assert packs(purchase) == {DISC: 3, "item-007": 2}


@pytest.mark.parametrize("said", ["disc-p400 bag", "lost", "compound"])
def test_packs_that_are_not_sold_or_not_clear_are_refused(purchase: Purchase, said: str) -> None:
    bottle = Pack.objects.get(name="bottle")
    other = Pack.objects.create(
        supplier=purchase.supplier, consumable=bottle.consumable, name="can", stock_units=5000
    )
    PackTerms.objects.create(pack=other, price=100)
    fields = {f"packs-{line(purchase).pk}": "3", "note": "", "pack-0": said, "added-0": "2"}
    answer = signed_in("sue").post(f"/purchases/{purchase.pk}/change/", fields)
    assert answer.status_code == 400
    assert "This is none of its packs with a price" in Page(answer.content.decode()).text
    assert packs(purchase) == {DISC: 3}


def test_an_accountant_reads_and_changes_nothing(purchase: Purchase) -> None:
    seen = see("ada", f"/purchases/{purchase.pk}/")
    assert "Approve" not in seen.text
    assert signed_in("ada").get(f"/purchases/{purchase.pk}/order.pdf").content.startswith(b"%PDF")
    assert signed_in("ada").post(f"/purchases/{purchase.pk}/change/").status_code == 403


TERMS = {"email": "", "lead_days": "7", "least_order_value": "0", "order_cost": "0", "deliver_to": ""}
PACK = {"price": "60", "least_packs": "1", "discount": "all units"}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"lead_days": "-3"}, "Goods come a day after the order or later"),
        ({"least_order_value": "-1"}, "-1 is negative; give 0 or more"),
        ({"email": "nowhere"}, "is not an e-mail address such as"),
    ],
)
def test_supplier_terms_that_cannot_be_are_refused(
    purchase: Purchase, change: dict[str, str], said: str
) -> None:
    answer = signed_in("sue").post(f"/purchases/terms/{purchase.supplier.pk}/", {**TERMS, **change})
    assert answer.status_code == 400
    assert said in Page(answer.content.decode()).text
    kept = SupplierTerms.objects.get(supplier=purchase.supplier)
    assert (kept.lead_days, kept.supplier.email) == (7, "orders@maker.example.org")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"price": "0"}, "is not a price"),
        ({"least_packs": "0"}, "Give 1 when it sells single packs."),
        ({"from-0": "10", "price-0": "70"}, "70 from 10 packs is not below the 60 of fewer"),
        ({"from-0": "10", "price-0": "50", "from-1": "10", "price-1": "40"}, "have a lower price already"),
        ({"from-0": "10"}, "Give both the packs and their price"),
        ({"from-0": "1", "price-0": "50"}, "starts at 2 packs or more"),
    ],
)
def test_prices_that_cannot_be_are_refused(purchase: Purchase, change: dict[str, str], said: str) -> None:
    box = Pack.objects.get(name="box")
    path = f"/purchases/terms/{box.supplier.pk}/packs/{box.pk}/"
    answer = signed_in("sue").post(path, {**PACK, **change})
    assert answer.status_code == 400
    assert said in Page(answer.content.decode()).text
    assert PackTerms.objects.get(pack=box).breaks.count() == 0


def test_terms_and_prices_are_kept(purchase: Purchase) -> None:
    maker, box = purchase.supplier, Pack.objects.get(name="box")
    kept = send(
        "sue",
        f"/purchases/terms/{maker.pk}/",
        **{**TERMS, "email": "new@maker.example.org", "lead_days": "9"},
    )
    assert "Saved." in kept.text
    assert Supplier.objects.get(pk=maker.pk).email == "new@maker.example.org"
    path = f"/purchases/terms/{maker.pk}/packs/{box.pk}/"
    send("sue", path, **{**PACK, "from-0": "20", "price-0": "50", "from-1": "10", "price-1": "55"})
    breaks = PackTerms.objects.get(pack=box).breaks.values_list("from_packs", "price")
    assert [(packs, int(price)) for packs, price in breaks] == [(10, 55), (20, 50)]
    send("sue", "/purchases/terms/", service_depot="0.9", cover_days_after_top_up="21", holding_rate="0.3")
    assert StockingTerms.objects.get().cover_days_after_top_up == 21


def put(path: str, body: Any, name: str = "sue") -> Any:
    """Put a body as a person."""
    return signed_in(name).put(f"/api/v1/purchases/{path}", json.dumps(body), content_type="application/json")


def test_the_whole_way_over_http(purchase: Purchase) -> None:
    number = purchase.number
    two = {"lines": [{"consumable": DISC, "pack": "box", "packs": 2}]}
    assert put(f"{number}/approval", two).status_code == 201
    assert put(f"{number}/approval", two).status_code == 200
    other = {"lines": [{"consumable": DISC, "pack": "box", "packs": 4}]}
    assert "approved by sue" in problem(put(f"{number}/approval", other))["errors"][0]["expected"]
    assert put(f"{number}/sending", {}).status_code == 201
    assert put(f"{number}/sending", {}).status_code == 200
    body = {
        "occurred_at": Purchase.objects.get().sent_at.isoformat(),  # type: ignore[union-attr]
        "lines": [
            {"consumable": DISC, "quantity": 50, "cost": "130"},
            {"consumable": PAD, "quantity": 1, "cost": "40"},
        ],
        "freight": "5",
    }
    answer = put(f"{number}/receipts/R-77", body)
    assert answer.status_code == 201
    found = answer.json()
    assert (found["status"], found["total"]) == ("received", "120")
    assert found["receipts"][0]["differences"] == [
        "disc-p400: 130.00 was charged, 10.00 more than the 120.00 of the order (8.34%).",
        "pad: 1 came and none was ordered.",
    ]
    assert put(f"{number}/receipts/R-77", body).status_code == 200
    assert depot_stock() == 200
    assert put(f"{number}/receipts/R-77", {**body, "freight": "6"}).status_code == 409
    assert put(f"{number}/cancellation", {}).status_code == 409
    listed = signed_in("ada").get("/api/v1/purchases/?status=received").json()
    assert (listed["count"], listed["results"][0]["number"]) == (1, number)
    assert problem(signed_in("ada").get("/api/v1/purchases/?status=lost"))["status"] == 400


@pytest.mark.parametrize(
    ("step", "body", "status"),
    [
        ("approval", {"lines": [{"consumable": DISC, "pack": "bag", "packs": 2}]}, 400),
        ("approval", {"lines": [{"consumable": DISC, "pack": "box", "packs": "1.5"}]}, 400),
        ("approval", {"lines": [{"consumable": DISC, "pack": "box", "packs": -1}]}, 400),
        ("approval", {"other": 1}, 400),
        ("sending", {}, 409),
        ("rest", {}, 409),
    ],
)
def test_what_cannot_be_is_refused_over_http(purchase: Purchase, step: str, body: Any, status: int) -> None:
    answer = put(f"{purchase.number}/{step}", body)
    assert answer.status_code == status
    problem(answer)
    assert packs(purchase) == {DISC: 3}
    assert put(f"PO-1/{step}", body).status_code == 404


def test_changes_over_http_add_packs_that_the_supplier_sells(purchase: Purchase) -> None:
    number = purchase.number
    body = {
        "lines": [
            {"consumable": DISC, "pack": "box", "packs": 2},
            {"consumable": COMPOUND, "pack": "bottle", "packs": 1},
        ],
        "note": "By the back door, please.",
    }
    answer = put(f"{number}/changes", body)
    assert answer.status_code == 201, answer.content
    found = answer.json()
    assert {row["consumable"]: (row["packs"], row["by_hand"]) for row in found["lines"]} == {
        DISC: (2, False),
        COMPOUND: (1, True),
    }
    assert found["note"] == body["note"]
    assert put(f"{number}/changes", body).status_code == 200
    pad = {"lines": [{"consumable": PAD, "pack": "each", "packs": 1}]}
    said = problem(put(f"{number}/changes", pad))
    assert "nor sold by maker" in said["errors"][0]["expected"]
    back = signed_in("sue").delete(f"/api/v1/purchases/{number}/changes")
    assert {row["consumable"]: row["packs"] for row in back.json()["lines"]} == {DISC: 3}
