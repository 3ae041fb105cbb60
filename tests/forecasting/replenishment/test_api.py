"""Restocks over HTTP: what is read, steps that count once, refusals as problem details."""

import json
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from forecasting.models import Restock, StockingTerms
from inventory.models import Lot
from tests.forecasting.restock_shop import COMPOUND, DISC, WEEK, draft, forecast, line, stock
from tests.shop.api.served_shop import errors, open_served_shop, problem, signed_in

pytestmark = pytest.mark.django_db
BURN = (10, 40, 50, 60, 70, 80, 90, 99)
PATH = "/api/v1/restocks/"


@pytest.fixture
def restock() -> Restock:
    """Draft van-a's restock in a shop of five people: 70 discs less 50 on board, and 70 ml of compound."""
    open_served_shop()
    # The site asks the clock, by which this compound expired long ago.
    Lot.objects.update(expires_on=None)
    StockingTerms.objects.update(van_lead_days=0)
    burn = {(van, consumable): BURN for van in ("van-a", "van-b") for consumable in (DISC, COMPOUND)}
    return draft(forecast(burn))["van-a"]


def put(name: str, restock: Restock, step: str, body: Any) -> Any:
    """Send a step as a person."""
    return signed_in(name).put(
        f"{PATH}{restock.pk}/{step}", json.dumps(body), content_type="application/json"
    )


def back(name: str, restock: Restock, step: str) -> Any:
    """Take a step back as a person."""
    return signed_in(name).delete(f"{PATH}{restock.pk}/{step}")


def discs(quantity: Any) -> dict[str, Any]:
    """Return the body of a step that gives a number of discs."""
    return {"lines": [{"consumable": DISC, "quantity": quantity}]}


def test_a_restock_is_read_whole_with_exact_amounts(restock: Restock) -> None:
    found = json.loads(signed_in("ada").get(f"{PATH}{restock.pk}").content)
    assert (found["van"], found["week"], found["status"]) == ("van-a", WEEK, "draft")
    disc = next(each for each in found["lines"] if each["consumable"] == DISC)
    assert {name: disc[name] for name in ("on_hand", "order_up_to", "suggested", "approved", "unit")} == {
        "on_hand": "50",
        "order_up_to": "70",
        "suggested": "20",
        "approved": None,
        "unit": "each",
    }
    assert disc["why"].startswith("70 cover the next 7 days")


def test_the_list_is_narrowed_by_query_and_by_who_asks(restock: Restock) -> None:
    def vans(name: str, query: str = "") -> list[str]:
        answer = signed_in(name).get(PATH + query)
        assert answer.status_code == 200
        return [each["van"] for each in json.loads(answer.content)["results"]]

    assert vans("sue") == ["van-a", "van-b"]
    assert vans("sue", f"?week={WEEK}&van=van-b&status=draft") == ["van-b"]
    assert vans("sue", "?week=2020-W01") == []
    assert vans("ben") == ["van-b"]
    assert vans("sue", "?sort=van") == ["van-a", "van-b"]
    assert vans("sue", "?sort=-van&page_size=1") == ["van-b"]
    for query in ("status=lost", "statsu=draft", "sort=colour", "page_size=0"):
        answer = signed_in("sue").get(f"{PATH}?{query}")
        assert answer.status_code == 400
        assert errors(answer) == {(query.split("=")[0], None)}
    assert [signed_in("sue").get(f"{PATH}?page={page}").status_code for page in (9, "x")] == [404, 404]


def test_the_whole_way_each_step_once(restock: Restock) -> None:
    steps = [
        ("sue", "approval", discs("12")),
        ("sue", "pick", discs(11)),
        ("ann", "confirmation", discs("9")),
        ("sue", "differences", {"lines": [{"consumable": DISC, "open": 2, "lost": "2"}]}),
    ]
    for name, step, body in steps:
        first, again = (put(name, restock, step, body) for _ in range(2))
        assert (first.status_code, again.status_code) == (201, 200), (step, first.content)
        assert json.loads(first.content) == json.loads(again.content)
    assert stock()["van-a", DISC] == 59
    assert stock()["depot", DISC] == 89
    assert [event.by for event in restock.events.all()] == ["clock", "sue", "sue", "ann", "sue"]


def test_an_empty_step_takes_what_is_suggested_approved_and_picked(restock: Restock) -> None:
    for step in ("approval", "pick", "confirmation"):
        assert put("sue", restock, step, {}).status_code == 201
    assert line(restock).received == 20
    assert line(restock, COMPOUND).received == 70


def test_steps_are_taken_back(restock: Restock) -> None:
    for step in ("approval", "pick", "confirmation"):
        put("sue", restock, step, {})
    assert back("ann", restock, "confirmation").status_code == 403
    for step in ("confirmation", "pick", "approval"):
        assert back("sue", restock, step).status_code == 200
        assert back("sue", restock, step).status_code == 200
    assert put("sue", restock, "cancellation", {}).status_code == 201
    assert put("sue", restock, "cancellation", {}).status_code == 200
    assert json.loads(back("sue", restock, "cancellation").content)["status"] == "draft"
    assert stock()["depot", DISC] == 100


def test_a_step_that_does_not_follow_is_a_conflict(restock: Restock) -> None:
    for step in ("pick", "confirmation", "differences"):
        answer = put("sue", restock, step, {"lines": []})
        assert answer.status_code == 409
        assert errors(answer) == {("status", None)}
    put("sue", restock, "approval", discs(5))
    answer = put("olga", restock, "approval", discs(6))
    assert answer.status_code == 409
    assert "approved by sue" in problem(answer)["errors"][0]["expected"]
    assert back("sue", restock, "pick").status_code == 200
    assert back("sue", restock, "confirmation").status_code == 409
    assert line(restock).approved == 5


@pytest.mark.parametrize(
    ("body", "where"),
    [
        (discs("-1"), (DISC, 2)),
        (discs("1.5"), (DISC, 2)),
        (discs("many"), ("quantity", 1)),
        (discs(None), ("quantity", 1)),
        ({"lines": [{"consumable": "glue", "quantity": 1}]}, ("consumable", None)),
        ({"lines": discs(1)["lines"] * 2}, ("consumable", 2)),
        ({"line": []}, ("line", None)),
        ({"lines": 5}, ("lines", None)),
        ([], ("body", None)),
    ],
)
def test_what_cannot_be_is_named_by_field_and_line(
    restock: Restock, body: Any, where: tuple[str, int | None]
) -> None:
    answer = put("sue", restock, "approval", body)
    assert answer.status_code == 400, answer.content
    assert where in errors(answer)
    assert line(restock).approved is None


def test_another_vans_restock_is_not_there_for_a_technician(restock: Restock) -> None:
    other = Restock.objects.get(van__code="van-b")
    for step in ("approval", "pick"):
        put("sue", other, step, {})
    assert signed_in("ann").get(f"{PATH}{other.pk}").status_code == 404
    assert put("ann", other, "confirmation", {}).status_code == 404
    assert put("ann", restock, "approval", {}).status_code == 403
    assert put("ben", other, "confirmation", {}).status_code == 201


def test_the_list_takes_as_many_queries_for_more_restocks(restock: Restock) -> None:
    def queries() -> int:
        client = signed_in("sue")
        with CaptureQueriesContext(connection) as captured:
            assert client.get(PATH).status_code == 200
        return len(captured)

    before = queries()
    for number in range(20):
        week = Restock.objects.create(
            van=restock.van,
            depot=restock.depot,
            period=f"2025-W{number + 10}",
            run=restock.run,
            inputs={},
            made_at=restock.made_at,
        )
        template = line(restock)
        template.pk, template.restock, template.suggested = None, week, Decimal(1)
        template.save()
    assert queries() == before


def test_changes_are_put_once_and_deleted(restock: Restock) -> None:
    body = {"lines": [{"consumable": DISC, "quantity": 7}, {"consumable": "pad", "quantity": 2}]}
    answer = put("sue", restock, "changes", body)
    assert answer.status_code == 201
    lines = {row["consumable"]: row for row in answer.json()["lines"]}
    assert (lines[DISC]["suggested"], lines[DISC]["changed_to"]) == ("20", "7")
    assert (lines["pad"]["changed_to"], lines["pad"]["by_hand"]) == ("2", True)
    assert lines["pad"]["why"].startswith("Added by hand: ")
    assert put("sue", restock, "changes", body).status_code == 200
    assert errors(put("sue", restock, "changes", {"lines": [{"consumable": "glue", "quantity": 1}]}))
    # What was changed is what a yes without a word means, and its taking back keeps it.
    assert put("sue", restock, "approval", {}).status_code == 201
    assert line(restock).approved == 7
    assert put("sue", restock, "changes", body).status_code == 409
    assert back("sue", restock, "approval").status_code == 200
    assert (line(restock).approved, line(restock).changed_to) == (None, 7)
    answer = back("sue", restock, "changes")
    assert answer.status_code == 200
    assert {row["consumable"] for row in answer.json()["lines"]} == {DISC, COMPOUND}
    assert line(restock).changed_to is None


def test_a_renewal_loses_changes_only_when_told_so(restock: Restock) -> None:
    assert put("sue", restock, "renewal", {}).status_code == 200
    put("sue", restock, "changes", discs(7))
    refused = put("sue", restock, "renewal", {})
    assert refused.status_code == 409
    assert "was changed by hand" in problem(refused)["errors"][0]["expected"]
    assert put("sue", restock, "renewal", {"discard_changes": True}).status_code == 201
    assert line(restock).changed_to is None
    assert put("sue", restock, "renewal", {"discard_changes": True}).status_code == 200
    assert put("ann", restock, "renewal", {}).status_code == 403
