"""PUT posts a document once however often it is sent; GET shows it as it was recorded."""

from decimal import Decimal
from typing import Any

import pytest

from inventory.ledger.period_lock import change_lock
from inventory.models import Document, Holding, Movement, RefusedDocument
from shop.models import Job, JobCost, JobUse
from tests.inventory.small_shop import NOW, day
from tests.shop.api.served_shop import (
    BODIES,
    KINDS,
    close_body,
    get,
    open_served_shop,
    posted,
    problem,
    put,
    stock_body,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with one closed job."""
    open_served_shop()
    assert put("olga", "close", "C-1", close_body()).status_code == 201


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_posted_once_and_a_retry_gets_the_first_result(kind: str) -> None:
    body = BODIES[kind]()
    first = put("olga", kind, "X-1", body)
    rows = Movement.objects.count()
    again = put("olga", kind, "X-1", body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["created"] is True
    assert again.json() == {**first.json(), "created": False}
    assert first.json()["kind"] == kind
    assert first.json()["id"] == "X-1"
    document = posted(kind, "X-1")
    assert document is not None
    assert document.recorded_by == "olga"
    assert Movement.objects.count() == rows


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_read_says_all_that_was_sent_and_is_known_when_sent_again(kind: str) -> None:
    body = BODIES[kind]()
    put("olga", kind, "X-1", body)
    recorded = get("olga", kind, "X-1").json()
    assert recorded["content"].keys() >= body.keys()
    assert recorded["corrected_by"] is None
    assert put("olga", kind, "X-1", recorded["content"]).status_code == 200


def test_a_close_moves_stock_and_costs_its_job() -> None:
    job = Job.objects.get(reference="J-1")
    assert (job.status, job.van.code, job.price) == ("closed", "van-a", Decimal(100))
    assert Holding.objects.get(place__code="van-a", consumable__code="disc-p400").quantity == 48
    # By hand: 200 discs cost 500 in all, so two cost 5.
    assert JobCost.objects.get(job=job).materials == Decimal(5)


def test_a_use_keeps_the_exact_decimal_of_a_bare_json_number() -> None:
    body = '{"job": "J-1", "lines": [{"consumable": "compound", "quantity": 0.1}]}'
    assert put("olga", "use", "U-1", body).status_code == 201
    assert JobUse.objects.get(document__client_id="U-1").quantity == Decimal("0.1")
    # The same number written in another way is the same document.
    same = '{"job": "J-1", "lines": [{"consumable": "compound", "quantity": "0.1000"}]}'
    assert put("olga", "use", "U-1", same).status_code == 200


def test_the_same_moment_in_another_zone_is_the_same_document() -> None:
    body = BODIES["scrap"]()
    put("olga", "scrap", "S-1", {**body, "occurred_at": "2026-01-13T08:00:00+00:00"})
    assert (
        put("olga", "scrap", "S-1", {**body, "occurred_at": "2026-01-13T09:00:00+01:00"}).status_code == 200
    )
    assert put("olga", "scrap", "S-1", {**body, "occurred_at": "2026-01-13T08:00:00Z"}).status_code == 200


def test_an_odd_close_is_kept_and_asked_about_at_every_retry() -> None:
    odd = close_body("J-9", uses=[{"consumable": "disc-p400", "quantity": 1, "minutes": 55}])
    first = put("olga", "close", "C-9", odd)
    again = put("olga", "close", "C-9", odd)
    assert first.status_code == 201
    assert any("disc" in question.lower() for question in first.json()["findings"])
    assert again.json()["findings"] == first.json()["findings"]
    assert get("olga", "close", "C-9").json()["findings"] == first.json()["findings"]


def test_what_the_stock_cannot_give_is_kept_and_flagged() -> None:
    answer = put("olga", "scrap", "S-1", stock_body(place="van-a", reason="fire", lines=_discs(60)))
    assert answer.status_code == 201
    assert "held 48" in answer.json()["flags"][0]


def test_what_happened_in_a_locked_period_counts_on_the_first_open_day() -> None:
    change_lock(day(20), reason="January is done", by="ada", now=NOW)
    answer = put("olga", "scrap", "S-1", stock_body(place="van-a", reason="torn"))
    assert answer.json()["posted_at"].startswith("2026-01-21")
    assert "locked period" in answer.json()["flags"][0]


def test_an_id_may_hold_any_printable_character() -> None:
    for written, meant in (("a/b", "a/b"), ("caf%C3%A9%20%231", "café #1"), ("50%25", "50%")):
        answer = put("olga", "scrap", written, stock_body(place="van-a", reason="torn"))
        assert answer.status_code == 201
        assert answer.json()["id"] == meant
        assert get("olga", "scrap", written).json()["id"] == meant


def test_two_phones_that_say_the_same_of_a_job_close_it_once() -> None:
    answer = put("olga", "close", "C-other-phone", close_body())
    assert answer.status_code == 200
    assert answer.json()["id"] == "C-1"
    assert Document.objects.filter(kind="close").count() == 1


def test_a_document_names_the_correction_that_undid_it() -> None:
    correction = {**BODIES["correction"](), "corrects_kind": "close", "corrects_id": "C-1"}
    assert put("olga", "correction", "K-1", correction).status_code == 201
    assert get("olga", "close", "C-1").json()["corrected_by"] == "K-1"
    assert Job.objects.get(reference="J-1").status == "booked"


def test_what_is_not_there_is_not_found() -> None:
    answer = get("olga", "close", "C-404")
    assert answer.status_code == 404
    assert "no such document" in problem(answer)["detail"]
    # An id is unique within its kind only.
    assert get("olga", "scrap", "C-1").status_code == 404


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("kind", KINDS)
def test_an_id_taken_by_other_content_is_refused_and_both_are_kept(kind: str) -> None:
    body = BODIES[kind]()
    put("olga", kind, "X-1", body)
    answer = put("olga", kind, "X-1", _changed(body))
    assert answer.status_code == 409
    assert problem(answer)["errors"][0]["value"] == "X-1"
    kept = RefusedDocument.objects.get()
    assert (kept.kind, kept.client_id) == (kind, "X-1")
    document = posted(kind, "X-1")
    assert document is not None
    assert kept.content != document.content


@pytest.mark.django_db(transaction=True)
def test_a_job_closed_with_other_content_is_refused_and_both_are_kept() -> None:
    answer = put("olga", "close", "C-2", close_body(price="1"))
    assert answer.status_code == 409
    assert problem(answer)["errors"][0]["field"] == "job"
    assert RefusedDocument.objects.get().client_id == "C-2"
    assert posted("close", "C-2") is None


def _discs(quantity: int) -> list[dict[str, object]]:
    return [{"consumable": "disc-p400", "quantity": quantity}]


def _changed(body: dict[str, Any]) -> dict[str, Any]:
    """Return the body with one thing said otherwise."""
    if "price" in body:
        return {**body, "price": "90"}
    if "reason" in body:
        return {**body, "reason": "another"}
    first, *others = body["lines"]
    return {**body, "lines": [{**first, "quantity": "3"}, *others]}
