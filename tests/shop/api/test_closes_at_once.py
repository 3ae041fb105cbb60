"""Several closes in one request: a result for each, none of them held up by another, each counted once."""

import json
from typing import Any

import pytest

from inventory.models import Document, Holding, RefusedDocument
from shop.api.bulk_closes import MOST_CLOSES
from shop.models import Job
from tests.shop.api.served_shop import close_body, errors, open_served_shop, problem, put, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


def send(name: str, closes: Any) -> Any:
    """Send a list of closes as a person."""
    return signed_in(name).post("/api/v1/closes/", json.dumps(closes), content_type="application/json")


def close(id_: str, job: str, **changes: Any) -> dict[str, Any]:
    """Return a close with its id."""
    return {"id": id_, **close_body(job, **changes)}


def results(answer: Any) -> list[tuple[str | None, str]]:
    """Return the id and result of each close of an answer."""
    assert answer.status_code == 200, answer.content
    return [(row["id"], row["result"]) for row in answer.json()]


def test_each_close_has_its_result_and_a_bad_one_keeps_no_other_from_counting() -> None:
    sent = [
        close("C-1", "J-1"),
        close("C-2", "J-2", price="-1"),
        close("C-3", "J-3", van="van-b"),
        close("C-4", "J-4"),
    ]
    answer = send("ann", sent)
    assert results(answer) == [("C-1", "created"), ("C-2", "refused"), ("C-3", "refused"), ("C-4", "created")]
    first, second, third, _ = answer.json()
    assert first["posted"]["created"] is True
    assert first["problem"] is None
    assert second["posted"] is None
    assert (second["problem"]["status"], second["problem"]["errors"][0]["field"]) == (400, "price")
    assert third["problem"]["status"] == 403
    assert set(Job.objects.filter(status="closed").values_list("reference", flat=True)) == {"J-1", "J-4"}


def test_the_list_sent_again_counts_nothing_twice() -> None:
    sent = [close("C-1", "J-1"), close("C-2", "J-2")]
    send("ann", sent)
    # By hand: 50 discs in the van, two closes of two.
    assert Holding.objects.get(place__code="van-a", consumable__code="disc-p400").quantity == 46
    assert results(send("ann", [*sent, close("C-3", "J-3")])) == [
        ("C-1", "same"),
        ("C-2", "same"),
        ("C-3", "created"),
    ]
    assert Document.objects.filter(kind="close").count() == 3
    assert Holding.objects.get(place__code="van-a", consumable__code="disc-p400").quantity == 44


def test_what_is_twice_in_one_list_counts_once() -> None:
    assert results(send("ann", [close("C-1", "J-1"), close("C-1", "J-1")])) == [
        ("C-1", "created"),
        ("C-1", "same"),
    ]


@pytest.mark.django_db(transaction=True)
def test_an_id_taken_by_other_content_is_refused_and_both_are_kept() -> None:
    put("olga", "close", "C-1", close_body("J-1"))
    answer = send("olga", [close("C-1", "J-1", price="90"), close("C-2", "J-2")])
    assert results(answer) == [("C-1", "refused"), ("C-2", "created")]
    assert answer.json()[0]["problem"]["status"] == 409
    assert RefusedDocument.objects.get().client_id == "C-1"


@pytest.mark.parametrize(
    "odd", [None, 5, "C-1", [], {}, {"id": None}, {"id": 7}, {"id": "\ud800"}, {"id": ""}]
)
def test_what_is_no_close_is_refused_alone(odd: object) -> None:
    answer = send("ann", [odd, close("C-1", "J-1")])
    assert [result for _, result in results(answer)] == ["refused", "created"]


@pytest.mark.parametrize("sent", [{}, "C-1", None, 3, [], {"closes": []}])
def test_what_is_no_list_or_empty_is_refused_as_a_whole(sent: object) -> None:
    answer = send("ann", sent)
    assert answer.status_code == 400
    assert errors(answer) == {("body", None)}


def test_the_list_is_bounded() -> None:
    answer = send("ann", [close(f"C-{n}", f"J-{n}") for n in range(MOST_CLOSES + 1)])
    assert answer.status_code == 400
    assert f"1 to {MOST_CLOSES}" in problem(answer)["detail"]
    assert not Document.objects.filter(kind="close").exists()


@pytest.mark.parametrize("name", ["sue", "ada"])
def test_who_closes_no_jobs_is_refused(name: str) -> None:
    assert send(name, [close("C-1", "J-1")]).status_code == 403


def test_what_a_storekeeper_sends_is_read_no_further_than_the_role() -> None:
    assert send("sue", "no list at all").status_code == 403
