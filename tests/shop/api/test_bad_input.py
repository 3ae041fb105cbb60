"""What is wrong is named by field, line, value and what was expected; nothing is written."""

import json
from typing import Any

import pytest

from inventory.models import Document
from shop.api.parsing import LARGEST_BODY_BYTES
from tests.shop.api.served_shop import (
    BODIES,
    KINDS,
    PATHS,
    close_body,
    errors,
    open_served_shop,
    problem,
    put,
    signed_in,
    stock_body,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with one closed job, for what refers to it."""
    open_served_shop()
    put("olga", "close", "C-1", close_body())


def refused(kind: str, body: Any, id_: str = "X-1") -> Any:
    """Send a bad body and return the answer, having checked that nothing was written."""
    before = Document.objects.count()
    answer = put("olga", kind, id_, body)
    assert answer.status_code == 400, answer.content
    assert Document.objects.count() == before
    return answer


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_body_lacks_every_required_field(kind: str) -> None:
    answer = refused(kind, {})
    found = problem(answer)["errors"]
    assert {error["field"] for error in found} >= {
        "close": {"job", "van", "technician", "closed_at", "price", "outcome", "labour_minutes"},
        "use": {"job", "lines"},
        "correction": {"occurred_at", "corrects_kind", "corrects_id", "reason"},
    }.get(kind, {"occurred_at", "lines"})
    assert all(error["value"] is None and "missing" in error["expected"] for error in found)


@pytest.mark.parametrize("kind", KINDS)
def test_a_misspelt_field_is_named_not_lost(kind: str) -> None:
    answer = refused(kind, {**BODIES[kind](), "nots": "x"})
    assert errors(answer) == {("nots", None)}
    assert "known are" in problem(answer)["errors"][0]["expected"]


@pytest.mark.parametrize("kind", KINDS)
def test_an_id_or_kind_in_the_body_is_refused(kind: str) -> None:
    assert errors(refused(kind, {**BODIES[kind](), "id": "X-2", "kind": kind})) == {
        ("id", None),
        ("kind", None),
    }


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "correction"])
def test_a_misspelt_field_of_a_line_is_named_with_its_line(kind: str) -> None:
    body = BODIES[kind]()
    lines = "uses" if kind == "close" else "lines"
    body[lines] = [*body[lines], {**body[lines][0], "quantty": 3}]
    assert errors(refused(kind, body)) == {("quantty", 2)}


@pytest.mark.parametrize(
    "written",
    [
        '"many"',
        '""',
        '" 2"',
        '"1_0"',
        '"٣"',
        "true",
        "null",
        "[2]",
        '{"n": 2}',
        '"NaN"',
        '"Infinity"',
        '"0x2"',
    ],
)
def test_what_is_no_number_is_refused(written: str) -> None:
    body = json.dumps(stock_body(place="depot", reason="x")).replace(
        '"quantity": 2', f'"quantity": {written}'
    )
    assert errors(refused("scrap", body)) == {("quantity", 1)}


@pytest.mark.parametrize("written", ["NaN", "Infinity", "-Infinity", "1e99999999999999999999", "9" * 5000])
def test_what_is_no_json_number_is_refused(written: str) -> None:
    body = json.dumps(stock_body(place="depot", reason="x")).replace(
        '"quantity": 2', f'"quantity": {written}'
    )
    assert "not JSON" in problem(refused("scrap", body))["detail"]


@pytest.mark.parametrize(
    "written", ["-2", "0", "1e9", "1e999999", "1e-999999", "2.5", "0.00001", "9" * 100, f'"{"9" * 100}"']
)
def test_a_quantity_that_cannot_be_is_refused_by_the_document(written: str) -> None:
    body = json.dumps(stock_body(place="depot", reason="x")).replace(
        '"quantity": 2', f'"quantity": {written}'
    )
    assert errors(refused("scrap", body)) == {("quantity", 1)}


@pytest.mark.parametrize(
    "written",
    ["2026-01-13T08:00:00", "2026-01-13", "yesterday", "", 1768291200, None, True, "1999-01-01T00:00:00Z"],
)
def test_a_moment_needs_a_date_a_time_and_an_offset(written: object) -> None:
    answer = refused("scrap", stock_body(place="depot", reason="x", occurred_at=written))
    assert errors(answer) == {("occurred_at", None)}


@pytest.mark.parametrize("written", [1, 0, "true", "yes", None])
def test_a_flag_is_true_or_false(written: object) -> None:
    assert errors(refused("close", close_body("J-2", in_primary_view=written))) == {("in_primary_view", None)}


@pytest.mark.parametrize("written", [7, True, None, ["depot"], {"code": "depot"}])
def test_a_code_is_a_string(written: object) -> None:
    assert errors(refused("scrap", stock_body(place=written, reason="x"))) == {("place", None)}


@pytest.mark.parametrize("lines", [None, "disc-p400", {"consumable": "disc-p400", "quantity": 2}, 3])
def test_lines_are_a_list(lines: object) -> None:
    assert errors(refused("scrap", stock_body(place="depot", reason="x", lines=lines))) == {("lines", None)}


def test_a_line_is_an_object() -> None:
    lines = [{"consumable": "disc-p400", "quantity": 2}, "compound", None]
    answer = refused("scrap", stock_body(place="depot", reason="x", lines=lines))
    assert errors(answer) == {("line", 2), ("line", 3)}


@pytest.mark.parametrize("body", [[], "text", 5, None, True])
def test_a_body_is_an_object(body: object) -> None:
    assert errors(refused("scrap", json.dumps(body))) == {("body", None)}


@pytest.mark.parametrize(
    "body",
    [
        b"{",
        b'{"place": "depot"',
        b"place=depot",
        b"\xff\xfe{}",
        b'{"place": "caf\xe9"}',
        b"[" * 100_000,
        b'{"place": "depot", "place": "van-a"}',
        b'{"lines": [{"quantity": 1, "quantity": 2}]}',
    ],
)
def test_what_is_no_json_is_refused_as_a_whole(body: bytes) -> None:
    found = problem(refused("scrap", body))
    assert "errors" not in found
    assert found["detail"].startswith("The body is")


def test_half_a_character_is_refused_and_can_be_shown() -> None:
    body = json.dumps({**stock_body(place="\ud800", reason="x"), "\udfff": "x"})
    assert {line for _, line in errors(refused("scrap", body))} == {None}


@pytest.mark.parametrize("field", ["van", "technician", "job_type", "damage_type", "glass", "callback_of"])
def test_a_close_with_an_unknown_code_is_refused(field: str) -> None:
    assert errors(refused("close", close_body("J-2", **{field: "nowhere"}))) == {(field, None)}


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("outcome", "repaired"),
        ("price", "-1"),
        ("price", "1.00001"),
        ("labour_minutes", -5),
        ("travel_minutes", 100_000),
        ("length_mm", -1),
        ("job", "=1+1"),
        ("job", ""),
    ],
)
def test_a_close_with_an_impossible_value_is_refused(field: str, value: object) -> None:
    assert (field, None) in errors(refused("close", {**close_body("J-2"), field: value}))


@pytest.mark.parametrize(
    ("kind", "changes", "field"),
    [
        ("receipt", {"supplier": "nobody"}, "supplier"),
        ("receipt", {"freight": "-1"}, "freight"),
        ("receipt", {"share_by": "weight"}, "share_by"),
        ("receipt", {"discount": "1000"}, "discount"),
        ("transfer", {"source": "van-a"}, "destination"),
        ("transfer", {"destination": "lost"}, "destination"),
        ("return", {"returns_id": "C-404"}, "returns_id"),
        ("scrap", {"reason": " "}, "reason"),
        ("scrap", {"place": "nowhere"}, "place"),
        ("correction", {"corrects_id": "R-404"}, "corrects_id"),
        ("use", {"job": "J-404"}, "job"),
    ],
)
def test_what_the_document_itself_refuses_is_named(kind: str, changes: dict[str, str], field: str) -> None:
    assert errors(refused(kind, {**BODIES[kind](), **changes})) == {(field, None)}


def test_every_problem_is_named_at_once() -> None:
    lines = [
        {"consumable": "nothing", "quantity": 1},
        {"consumable": "disc-p400", "quantity": "-3"},
        {"consumable": "disc-p400", "quantity": "1.5"},
    ]
    answer = refused("scrap", stock_body(place="nowhere", reason="", lines=lines))
    assert errors(answer) >= {("reason", None), ("place", None), ("consumable", 1), ("quantity", 2)}
    assert "and" in problem(answer)["detail"]


@pytest.mark.parametrize("id_", ["=sum", "%20x", "x%09y", "x" * 101])
def test_an_id_that_cannot_be_kept_is_refused(id_: str) -> None:
    assert ("id", None) in errors(refused("scrap", stock_body(place="depot", reason="x"), id_))


def test_a_body_beyond_the_limit_is_refused_unread() -> None:
    body = json.dumps(stock_body(place="depot", reason="x" * LARGEST_BODY_BYTES))
    answer = put("olga", "scrap", "X-1", body)
    assert answer.status_code == 413
    assert "larger than" in problem(answer)["detail"]


def test_only_json_is_read() -> None:
    answer = signed_in("olga").put(PATHS["scrap"] + "X-1", "place=depot", content_type="text/plain")
    assert answer.status_code == 415
    problem(answer)


@pytest.mark.parametrize("method", ["post", "patch", "delete", "options"])
def test_other_methods_are_not_allowed(method: str) -> None:
    answer = getattr(signed_in("olga"), method)(PATHS["scrap"] + "X-1")
    assert answer.status_code == 405
    assert "PUT" in answer["Allow"]
    problem(answer)
