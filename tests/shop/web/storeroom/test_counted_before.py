"""A delivery or move dated before a count that did not find it is asked about: the book believes counts."""

import pytest
from django.test import Client

from inventory.models import Document
from tests.shop.api.served_shop import open_served_shop, put, signed_in
from tests.shop.web.storeroom.test_storeroom_desk import entry_data, held

pytestmark = pytest.mark.django_db
LINE = {"consumable": "disc-p400", "quantity": "50", "cost": "125.00"}


@pytest.fixture
def desk() -> Client:
    """Open a shop whose depot held 100 discs when it was counted on 25 March."""
    open_served_shop()
    line = {"place": "depot", "consumable": "disc-p400", "quantity": 100}
    assert (
        put("sue", "count", "C-1", {"occurred_at": "2026-03-25T10:00:00Z", "lines": [line]}).status_code
        == 201
    )
    assert held("depot") == 100
    return signed_in("sue")


def late(**said: str) -> dict[str, str]:
    return entry_data([LINE], supplier="maker", place="depot", sure="yes", **said)


def test_the_desk_asks_and_posts_nothing_until_it_is_answered(desk: Client) -> None:
    for answer in ({}, {"counted": ""}, {"counted": "nonsense"}, {"counted": "by:C-2"}):
        shown = desk.post("/store/receive/", late(**answer))
        assert shown.status_code == 200
        page = shown.content.decode()
        assert "depot was counted on 2026-03-25 10:00 (C-1), after this came" in page
        assert "50 each" in page
    assert not Document.objects.filter(client_id="desk-1").exists()


def test_what_was_not_on_the_shelf_is_in_stock_afterwards_and_counts_once(desk: Client) -> None:
    for _ in range(2):
        assert desk.post("/store/receive/", late(counted="never")).status_code == 302
        assert held("depot") == 150
    assert Document.objects.filter(kind="correction", corrects__client_id="C-1").count() == 1
    assert Document.objects.get(client_id="desk-1").flags == []


def test_what_was_counted_is_posted_as_it_is(desk: Client) -> None:
    assert desk.post("/store/receive/", late(counted="by:C-1")).status_code == 302
    assert held("depot") == 100
    assert not Document.objects.filter(kind="correction").exists()


def test_a_move_into_a_counted_place_is_asked_about_too(desk: Client) -> None:
    line = {"place": "van-a", "consumable": "disc-p400", "quantity": 0}
    put("sue", "count", "C-2", {"occurred_at": "2026-03-25T10:00:00Z", "lines": [line]})
    move = entry_data([{"consumable": "disc-p400", "quantity": "5"}], source="depot", destination="van-a")
    assert "Was it on the shelf then?" in desk.post("/store/move/", move).content.decode()
    assert desk.post("/store/move/", {**move, "sure": "yes", "counted": "never"}).status_code == 302
    assert held("van-a") == 5


def test_a_program_is_answered_with_a_flag(desk: Client) -> None:
    body = {"occurred_at": "2026-03-20T10:00:00Z", "supplier": "maker", "place": "depot", "lines": [LINE]}
    answer = put("sue", "receipt", "R-9", body)
    assert answer.status_code == 201
    assert any("50 of disc-p400 count as lost" in flag for flag in answer.json()["flags"])
