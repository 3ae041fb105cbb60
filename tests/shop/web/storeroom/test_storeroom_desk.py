"""The storekeeper's desk: what is where, entering and undoing documents, differences, suppliers."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from io import BytesIO

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pypdf import PdfReader

from inventory.documents import DocumentKind
from inventory.models import (
    Consumable,
    ConsumableKind,
    CountLine,
    Document,
    Holding,
    LowLevel,
    MovementValue,
    Pack,
    Place,
    Supplier,
)
from shop.models import CountExplanation
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in


def entry_data(lines: list[dict[str, str]], **head: str) -> dict[str, str]:
    """Return what the form of a document sends."""
    data = {
        "id": "desk-1",
        "occurred_at": "2026-03-20T10:00",
        "line-TOTAL_FORMS": str(len(lines)),
        "line-INITIAL_FORMS": "0",
        "post": "yes",
        **head,
    }
    for number, line in enumerate(lines):
        data |= {f"line-{number}-{name}": value for name, value in line.items()}
    return data


def stored(kind: str, id_: str = "desk-1") -> Document | None:
    return Document.objects.filter(kind=kind, client_id=id_).first()


def held(place: str, consumable: str = "disc-p400") -> Decimal:
    return Decimal(Holding.objects.get(place__code=place, consumable__code=consumable).quantity)


@pytest.mark.django_db
class TestEntering:
    """Receive, move, count and scrap by form."""

    @pytest.fixture(autouse=True)
    def served_shop(self) -> None:
        open_served_shop()
        Pack.objects.create(
            supplier=Supplier.objects.get(code="maker"),
            consumable=Consumable.objects.get(code="disc-p400"),
            name="box",
            stock_units=Decimal(25),
        )

    def receipt(self, **changes: str) -> dict[str, str]:
        line = {
            "consumable": "disc-p400",
            "quantity": "2 box",
            "cost": "125.00",
            "lot": "L1",
            "expires_on": "2027-01-31",
        }
        return entry_data([line, {}], supplier="maker", place="depot", freight="5", **changes)

    def test_a_receipt_in_packs_is_posted_once_however_often_it_is_sent(self) -> None:
        client = signed_in("sue")
        for _ in range(2):
            answer = client.post("/store/receive/", self.receipt())
            assert answer.status_code == 302, answer.content.decode()
        assert held("depot") == 150
        document = stored(DocumentKind.RECEIPT)
        assert document is not None
        assert document.recorded_by == "sue"
        movement = document.movements.get()
        assert movement.quantity == 50
        assert MovementValue.objects.get(movement=movement).value == 130
        shown = client.get(answer["Location"]).content.decode()
        assert "Was posted before" in shown
        assert "disc-p400" in shown

    def test_the_same_form_with_other_content_is_refused_and_said(self) -> None:
        client = signed_in("sue")
        client.post("/store/receive/", self.receipt())
        changed = self.receipt() | {"line-0-quantity": "1 box"}
        answer = client.post("/store/receive/", changed | {"sure": "yes"})
        assert answer.status_code == 400
        assert "posted before with other content" in answer.content.decode()
        assert held("depot") == 150

    def test_what_looks_odd_is_asked_once_and_posted_when_sure(self) -> None:
        client = signed_in("sue")
        line = {"consumable": "disc-p400", "quantity": 50, "cost": "125"}
        recent = {"occurred_at": timezone.now().isoformat(), "supplier": "maker", "place": "depot"}
        assert put("sue", "receipt", "R-1", {**recent, "lines": [line]}).status_code == 201
        odd = self.receipt() | {"line-0-quantity": "50 box", "line-0-cost": "3125.00"}
        answer = client.post("/store/receive/", odd)
        assert answer.status_code == 200
        assert "is usual" in answer.content.decode()
        assert stored(DocumentKind.RECEIPT) is None
        assert client.post("/store/receive/", odd | {"sure": "yes"}).status_code == 302
        assert stored(DocumentKind.RECEIPT) is not None

    @pytest.mark.parametrize(
        ("change", "said"),
        [
            ({"line-0-consumable": "disc-p4000"}, "not a consumable here"),
            ({"line-0-quantity": "-5"}, "is negative"),
            ({"line-0-quantity": "2 crates"}, "is not a pack of it"),
            ({"line-0-quantity": ""}, "is not a quantity"),
            ({"line-0-cost": ""}, "Give the cost"),
            ({"line-0-cost": "-1"}, "greater than or equal to 0"),
            ({"line-0-expires_on": "31.1.2027"}, "Enter a valid date"),
            ({"supplier": "nobody"}, "Select a valid choice"),
            ({"place": "job"}, "Select a valid choice"),
            ({"occurred_at": "yesterday"}, "Enter a valid date/time"),
            ({"occurred_at": "1999-01-01T10:00"}, "outside the years"),
            (
                {
                    "line-0-consumable": "",
                    "line-0-quantity": "",
                    "line-0-cost": "",
                    "line-0-lot": "",
                    "line-0-expires_on": "",
                },
                "at least one line",
            ),
        ],
    )
    def test_bad_input_is_named_beside_its_field_and_nothing_is_posted(
        self, change: dict[str, str], said: str
    ) -> None:
        answer = signed_in("sue").post("/store/receive/", self.receipt() | change)
        assert answer.status_code == 400
        assert said in answer.content.decode()
        assert stored(DocumentKind.RECEIPT) is None

    def test_more_lines_keep_what_was_entered(self) -> None:
        data = self.receipt() | {"more": "yes"}
        text = signed_in("sue").post("/store/receive/", data).content.decode()
        assert 'value="2 box"' in text
        assert 'name="line-7-quantity"' in text
        assert stored(DocumentKind.RECEIPT) is None

    def test_a_move_changes_two_places_and_no_value(self) -> None:
        data = entry_data(
            [{"consumable": "disc-p400", "quantity": "10"}], source="depot", destination="van-a"
        )
        assert signed_in("sue").post("/store/move/", data).status_code == 302
        assert [held("depot"), held("van-a")] == [90, 60]

    def test_moving_more_than_the_book_has_is_asked_about_but_not_refused(self) -> None:
        data = entry_data(
            [{"consumable": "disc-p400", "quantity": "101"}], source="depot", destination="van-a"
        )
        client = signed_in("sue")
        assert "the book has only 100" in client.post("/store/move/", data).content.decode()
        assert client.post("/store/move/", data | {"sure": "yes"}).status_code == 302
        assert held("depot") == -1

    def test_scrap_needs_a_reason(self) -> None:
        data = entry_data([{"consumable": "disc-p400", "quantity": "1"}], place="depot")
        client = signed_in("sue")
        assert client.post("/store/scrap/", data | {"reason": ""}).status_code == 400
        assert client.post("/store/scrap/", data | {"reason": "wet box"}).status_code == 302
        assert held("depot") == 99

    def test_a_count_lists_the_shelf_without_the_book_and_takes_only_what_was_counted(self) -> None:
        client = signed_in("sue")
        text = client.get("/store/count/?place=depot").content.decode()
        assert 'value="compound"' in text
        assert 'value="disc-p400"' in text
        assert "1,000" not in text
        assert "1000" not in text
        lines = [{"consumable": "compound", "quantity": ""}, {"consumable": "disc-p400", "quantity": "97"}]
        assert client.post("/store/count/", entry_data(lines, place="depot")).status_code == 302
        assert held("depot") == 97
        assert held("depot", "compound") == 1000
        assert CountLine.objects.count() == 1

    def test_a_document_is_undone_with_a_reason_and_shows_who_undid_it(self) -> None:
        client = signed_in("sue")
        client.post("/store/receive/", self.receipt())
        page = f"/store/documents/receipt/{'desk-1'}"
        assert client.post(page, {"id": "desk-2", "reason": ""}).status_code == 400
        assert held("depot") == 150
        assert client.post(page, {"id": "desk-2", "reason": "came twice"}).status_code == 302
        assert held("depot") == 100
        text = client.get(page).content.decode()
        assert "correction desk-2" in text
        assert "Undo this document" not in text
        assert "came twice" in client.get("/store/documents/correction/desk-2").content.decode()

    def test_a_storekeeper_does_not_undo_a_close(self) -> None:
        put("ann", "close", "C-1", close_body())
        assert signed_in("sue").get("/store/documents/close/C-1").status_code == 404
        assert signed_in("olga").get("/store/documents/close/C-1").status_code == 200


@pytest.mark.django_db
class TestLooking:
    """Stock, documents, differences and suppliers as shown."""

    @pytest.fixture(autouse=True)
    def served_shop(self) -> None:
        open_served_shop()

    def test_cover_is_held_against_the_use_of_the_last_eight_weeks(self) -> None:
        moment = (timezone.now() - timedelta(days=7)).isoformat()
        uses = [{"consumable": "disc-p400", "quantity": 5, "minutes": "15"}]
        assert put("ann", "close", "C-1", close_body(closed_at=moment, uses=uses)).status_code == 201
        text = signed_in("sue").get("/store/?place=van-a").content.decode()
        # 45 left at 5 in 56 days last 504 days.
        assert "504 days" in text
        assert "not used recently" in signed_in("sue").get("/store/?place=van-b").content.decode()

    def test_stock_is_narrowed_by_place_words_and_level(self) -> None:
        client = signed_in("sue")
        LowLevel.objects.create(
            place=Place.objects.get(code="van-a"),
            consumable=Consumable.objects.get(code="disc-p400"),
            quantity=Decimal(50),
        )
        assert "compound" not in client.get("/store/?q=disc").content.decode()
        assert "Nothing is held here" in client.get("/store/?q=nothing").content.decode()
        low = client.get("/store/?only=low&sort=least").content.decode()
        assert "/store/items/van-a/disc-p400" in low
        assert "/store/items/van-b/disc-p400" not in low

    def test_a_list_tells_the_first_lots_that_expire_and_the_item_all(self) -> None:
        client, today = signed_in("sue"), timezone.localdate()
        days = [today + timedelta(days=number) for number in (3, 10, 20, 30, 40)]
        line = {"consumable": "disc-p400", "quantity": "1", "cost": "1"}
        lines = [{**line, "lot": f"L{day}", "expires_on": f"{day}"} for day in days]
        sent = entry_data(lines, supplier="maker", place="depot", freight="0")
        assert client.post("/store/receive/", sent | {"sure": "yes"}).status_code == 302
        listed = client.get("/store/?q=disc&place=depot").content.decode()
        assert [f"1 on {day}" in listed for day in days] == [True] * 3 + [False] * 2
        assert ", and 2 further" in listed
        item = client.get("/store/items/depot/disc-p400").content.decode()
        assert all(f"1 on {day}" in item for day in days)

    def test_a_level_is_set_changed_and_taken_away(self) -> None:
        client, page = signed_in("sue"), "/store/items/van-a/disc-p400"
        for sent, kept in (("20", [20]), ("12.5", [Decimal("12.5")]), ("", [])):
            assert client.post(page, {"quantity": sent}).status_code == 302
            assert list(LowLevel.objects.values_list("quantity", flat=True)) == kept
        assert client.post(page, {"quantity": "-1"}).status_code == 400

    def test_a_difference_waits_until_it_is_explained(self) -> None:
        line = {"place": "van-a", "consumable": "disc-p400", "quantity": 47}
        happened = datetime(2026, 3, 20, tzinfo=UTC).isoformat()
        put("sue", "count", "N-1", {"occurred_at": happened, "lines": [line]})
        client = signed_in("sue")
        text = client.get("/store/differences/").content.decode()
        assert "\N{MINUS SIGN}3 each" in text
        assert "\N{MINUS SIGN}7.50 " in text  # 3 discs at 2.50
        page = f"/store/differences/{CountLine.objects.get().pk}/"
        assert client.post(page, {"cause": "magic"}).status_code == 400
        answer = client.post(page, {"cause": "used without being logged", "note": "two jobs"})
        assert answer.status_code == 302
        assert CountExplanation.objects.get().explained_by == "sue"
        assert "No count variance waits" in client.get("/store/differences/").content.decode()
        assert "used without being logged" in client.get("/store/differences/?show=all").content.decode()

    def test_a_count_that_agrees_is_no_difference(self) -> None:
        line = {"place": "van-a", "consumable": "disc-p400", "quantity": 50}
        happened = datetime(2026, 3, 20, tzinfo=UTC).isoformat()
        put("sue", "count", "N-1", {"occurred_at": happened, "lines": [line]})
        assert "No count variance waits" in signed_in("sue").get("/store/differences/").content.decode()

    def test_documents_are_narrowed_by_kind_id_and_day(self) -> None:
        client = signed_in("sue")
        everything = client.get("/store/documents/").content.decode()
        assert "receipt R-0" in everything
        assert "receipt R-van-a" in everything
        assert "receipt R-0" not in client.get("/store/documents/?q=van").content.decode()
        assert "No document matches" in client.get("/store/documents/?kind=scrap").content.decode()
        document = Document.objects.get(client_id="R-0")
        assert (
            "receipt R-0"
            in client.get(f"/store/documents/?on={document.occurred_at:%Y-%m-%d}").content.decode()
        )
        assert client.get("/store/documents/?on=tomorrow").status_code == 200

    def test_suppliers_and_packs_are_added_and_bad_ones_refused(self) -> None:
        client = signed_in("sue")
        bad = client.post("/store/suppliers/", {"code": "=x", "name": "", "email": "nowhere"})
        assert bad.status_code == 400
        assert (
            client.post("/store/suppliers/", {"code": "S-2", "name": "Two", "email": ""}).status_code == 302
        )
        disc = Consumable.objects.get(code="disc-p400").pk
        pack = {"act": "add", "consumable": disc, "name": "box", "stock_units": "25"}
        page = "/store/suppliers/S-2/"
        assert client.post(page, pack | {"stock_units": "0"}).status_code == 400
        assert client.post(page, pack).status_code == 302
        assert client.post(page, pack).status_code == 400
        assert Pack.objects.get().stock_units == 25
        changed = {"act": "change", "code": "S-2", "name": "Two", "email": "orders@two.example"}
        assert client.post(page, changed).status_code == 302
        assert Supplier.objects.get(code="S-2").email == "orders@two.example"

    def test_labels_come_as_pdf_and_too_many_are_refused(self) -> None:
        client = signed_in("sue")
        answer = client.get("/store/labels/?consumable=disc-p400&consumable=compound&copies=2")
        assert answer["Content-Type"] == "application/pdf"
        text = PdfReader(BytesIO(answer.content)).pages[0].extract_text()
        assert text.count("disc-p400") == 2
        assert client.get("/store/labels/?copies=2").status_code == 400
        assert client.get("/store/labels/?consumable=disc-p400&copies=9999").status_code == 400
        assert client.get("/store/labels/?consumable=gone%00&copies=1").status_code == 400

    def test_query_counts_do_not_grow_with_the_rows(self) -> None:
        def counts() -> list[int]:
            found = []
            client = signed_in("sue")
            for path in (
                "/store/",
                "/store/documents/",
                "/store/differences/",
                "/store/suppliers/",
                "/store/labels/",
            ):
                with CaptureQueriesContext(
                    connection,
                ) as queries:
                    assert client.get(path).status_code == 200
                found.append(len(queries))
            return found

        client = signed_in("sue")
        line = {"place": "van-a", "consumable": "disc-p400", "quantity": 47}
        put("sue", "count", "N-0", {"occurred_at": "2026-03-20T10:00:00Z", "lines": [line]})
        client.get("/store/")
        before = counts()
        depot = Place.objects.get(code="depot")
        for number in range(30):
            item = Consumable.objects.create(
                code=f"extra-{number}", name="Extra", kind=ConsumableKind.COUNTED, stock_unit="each"
            )
            LowLevel.objects.create(place=depot, consumable=item, quantity=Decimal(1))
            counted = {"place": "depot", "consumable": item.code, "quantity": 5}
            happened = f"2026-03-21T10:{number:02}:00Z"
            assert (
                put("sue", "count", f"N-e{number}", {"occurred_at": happened, "lines": [counted]}).status_code
                == 201
            )
            Supplier.objects.create(code=f"S-{number}")
        assert counts() == before
