"""Documents by role and kind, and what is a technician's own: the van, its stock and the jobs."""

from datetime import timedelta
from typing import Any

import pytest

from inventory.ledger.in_transit import transit_place
from inventory.models import Document, Holding, Place, PlaceKind
from shop.models import DamageType, Finding, GlassType, Job, JobType, Technician, Van
from shop.people import permissions
from tests.shop.api.route_table import EVERYONE, ROUTES
from tests.shop.api.served_shop import (
    BODIES,
    KINDS,
    PATHS,
    PEOPLE,
    PERSON_OF_ROLE,
    close_body,
    get,
    open_served_shop,
    problem,
    put,
    signed_in,
    stock_body,
    take_back_body,
)

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with J-1 closed by ann on van-a and J-b closed by ben on van-b."""
    open_served_shop()
    assert put("ann", "close", "C-1", close_body()).status_code == 201
    assert put("ben", "close", "C-b", close_body("J-b", van="van-b", technician="ben")).status_code == 201
    assert put("ann", "close", "C-own", close_body("J-own")).status_code == 201
    assert put("olga", "close", "C-olga", close_body("J-olga")).status_code == 201
    assert put("ann", "use", "U-1", BODIES["use"]()).status_code == 201
    transit_place(Place.objects.get(code="van-b"))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_a_role_reads_and_posts_the_kinds_that_the_table_gives_it(role: str, kind: str) -> None:
    table = ROUTES[f"api/v1/{kind}s/<path:client_id>"]
    person = PERSON_OF_ROLE[role]
    own_close = (role, kind) == ("technician", "correction")
    body = take_back_body("C-own") if own_close else BODIES[kind]()
    answer = put(person, kind, "X-1", body)
    assert answer.status_code == (201 if role in table["PUT"] else 403), answer.content
    if role not in table["PUT"]:
        problem(answer)
        assert put("olga", kind, "X-1", BODIES[kind]()).status_code == 201
    assert get(person, kind, "X-1").status_code == (200 if role in table["GET"] else 403)
    assert signed_in(person).head(PATHS[kind] + "X-1").status_code == (200 if role in table["GET"] else 403)


# What is a technician's own. ann has van-a; everything here tries to reach van-b or ben's job.
OTHERS: dict[str, tuple[str, dict[str, Any]]] = {
    "the other van in a close": ("close", close_body("J-n", van="van-b")),
    "the other technician in a close": ("close", close_body("J-n", technician="ben")),
    "the depot as the van of a close": ("close", close_body("J-n", van="depot")),
    "closing the other's job again": ("close", close_body("J-b")),
    "further uses of the other's job": ("use", {**BODIES["use"](), "job": "J-b"}),
    "a return of the other's job into one's own van": ("return", {**BODIES["return"](), "returns_id": "C-b"}),
    "a return of one's own job into the other van": ("return", {**BODIES["return"](), "place": "van-b"}),
    "a return of one's own job into the depot": ("return", {**BODIES["return"](), "place": "depot"}),
    "a count of the other van": (
        "count",
        stock_body(lines=[{"place": "van-b", "consumable": "pad", "quantity": 1}]),
    ),
    "a count of the depot": (
        "count",
        stock_body(lines=[{"place": "depot", "consumable": "pad", "quantity": 1}]),
    ),
    "a count of both vans": (
        "count",
        stock_body(lines=[{"place": van, "consumable": "pad", "quantity": 1} for van in ("van-a", "van-b")]),
    ),
    "taking from the other van": ("transfer", stock_body(source="van-b", destination="van-a")),
    "giving to what is under way to the other van": (
        "transfer",
        stock_body(source="van-a", destination="van-b-UNDER-WAY"),
    ),
    "taking from what is under way to the other van": (
        "transfer",
        stock_body(source="van-b-UNDER-WAY", destination="van-a"),
    ),
    "from the depot to the other van": ("transfer", stock_body(source="depot", destination="van-b")),
    "a scrap in one's own van": ("scrap", stock_body(place="van-a", reason="torn")),
    "a receipt into one's own van": ("receipt", {**BODIES["receipt"](), "place": "van-a"}),
    "taking back the other's close": ("correction", take_back_body("C-b")),
    "taking back a close of one's own job that an owner entered": ("correction", take_back_body("C-olga")),
    "a correction of what the depot received": ("correction", BODIES["correction"]()),
    "a correction of own further uses": (
        "correction",
        {**take_back_body("U-1"), "corrects_kind": "use"},
    ),
}


@pytest.mark.parametrize("attempt", OTHERS)
def test_a_technician_cannot_touch_another_van_or_job(attempt: str) -> None:
    kind, body = OTHERS[attempt]
    before = Document.objects.count()
    for id_ in ("X-1", "C-1", "C-b"):
        answer = put("ann", kind, id_, body)
        assert answer.status_code == 403, answer.content
        problem(answer)
    assert Document.objects.count() == before
    assert put("olga", kind, "X-1", body).status_code in (201, 400, 409)


@pytest.mark.parametrize("booked", [{"van": "van-b"}, {"van": "van-a", "technician": "ben"}])
def test_a_technician_cannot_close_a_job_that_is_booked_for_another(booked: dict[str, str]) -> None:
    book("J-next", **booked)
    assert put("ann", "close", "C-next", close_body("J-next")).status_code == 403
    assert Job.objects.get(reference="J-next").status == "booked"


@pytest.mark.parametrize("booked", [{"van": "van-a"}, {"van": "van-a", "technician": "ann"}])
def test_a_technician_closes_an_own_booked_job(booked: dict[str, str]) -> None:
    book("J-next", **booked)
    assert put("ann", "close", "C-next", close_body("J-next")).status_code == 201


def test_a_technician_carries_stock_between_depot_and_own_van_and_counts_it() -> None:
    to_van = stock_body(source="depot", destination="van-a")
    back = stock_body(source="van-a", destination="depot")
    assert put("ann", "transfer", "T-1", to_van).status_code == 201
    assert put("ann", "transfer", "T-2", back).status_code == 201
    assert put("ann", "count", "N-1", BODIES["count"]()).status_code == 201


def test_whoever_gives_to_another_van_says_so_and_both_read_it() -> None:
    gift = stock_body(source="van-a", destination="van-b")
    assert put("ann", "transfer", "T-1", gift).status_code == 201
    assert put("ann", "transfer", "T-1", gift).status_code == 200
    held = Holding.objects.filter(consumable__code="disc-p400")
    assert dict(held.values_list("place__code", "quantity"))["van-b"] == 50 - 2 + 2
    assert {get(name, "transfer", "T-1").status_code for name in ("ann", "ben")} == {200}
    assert put("ben", "transfer", "T-1", gift).status_code == 403


def test_a_technician_takes_back_an_own_close_within_a_day_and_closes_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert put("ann", "close", "C-2", close_body("J-2")).status_code == 201
    assert put("ann", "correction", "K-2", take_back_body("C-2")).status_code == 201
    assert Job.objects.get(reference="J-2").status == "booked"
    assert get("ann", "correction", "K-2").status_code == 200
    assert put("ann", "close", "C-3", close_body("J-2", outcome="reduced")).status_code == 201
    monkeypatch.setattr(permissions, "TAKE_BACK", timedelta(0))
    # What came in before is answered however late it is asked again; nothing else is taken back.
    assert put("ann", "correction", "K-2", take_back_body("C-2")).status_code == 200
    answer = put("ann", "correction", "K-3", take_back_body("C-3"))
    assert answer.status_code == 403
    assert "within a day" in problem(answer)["detail"]
    assert Job.objects.get(reference="J-2").status == "closed"


def test_a_close_with_further_uses_is_not_taken_back() -> None:
    answer = put("ann", "correction", "K-1", take_back_body("C-1"))
    assert answer.status_code == 400
    assert "has further uses U-1" in problem(answer)["detail"]


def question_about(close: str) -> str:
    """Return the address of the answer to a question about a close."""
    document = Document.objects.get(kind="close", client_id=close)
    job = Job.objects.get(costs__document=document)
    found = Finding.objects.create(job=job, document=document, code="x", message="Were 3 used?")
    return f"/api/v1/findings/{found.pk}/answer"


def say(name: str, address: str, text: str) -> int:
    """Answer a question; return the status."""
    answer = signed_in(name).put(address, {"answer": text}, content_type="application/json")
    return int(answer.status_code)


def test_a_technician_answers_questions_about_own_jobs_only_and_the_first_answer_stands() -> None:
    own, others = question_about("C-1"), question_about("C-b")
    assert say("ann", others, "So it was.") == 404
    assert say("ann", own, "So it was.") == 200
    first = Finding.objects.get(answered_by="ann")
    # Sent again after a lost answer.
    assert say("ann", own, "So it was.") == 200
    assert Finding.objects.get(pk=first.pk).answered_at == first.answered_at
    assert say("ann", own, "No, 3.") == 409
    assert say("olga", own, "It was 3.") == 200
    assert say("ann", own, "So it was.") == 409
    assert set(Finding.objects.values_list("answer", flat=True)) == {"It was 3.", ""}


def test_a_technician_reads_own_documents_only() -> None:
    transfers = {"T-a": ("depot", "van-a"), "T-b": ("depot", "van-b")}
    for id_, (source, destination) in transfers.items():
        put("olga", "transfer", id_, stock_body(source=source, destination=destination))
    for van in ("van-a", "van-b"):
        lines = [{"place": van, "consumable": "disc-p400", "quantity": 40}]
        put("olga", "count", f"N-{van[-1]}", stock_body(14, lines=lines))
    for id_, close, van in (("B-a", "C-1", "van-a"), ("B-b", "C-b", "van-b")):
        put("olga", "return", id_, {**BODIES["return"](), "returns_id": close, "place": van})
    put("olga", "use", "U-a", BODIES["use"]())
    put("olga", "use", "U-b", {**BODIES["use"](), "job": "J-b"})
    own = [("close", "C-1"), ("use", "U-a"), ("return", "B-a"), ("transfer", "T-a"), ("count", "N-a")]
    others = [("close", "C-b"), ("use", "U-b"), ("return", "B-b"), ("transfer", "T-b"), ("count", "N-b")]
    assert {get("ann", kind, id_).status_code for kind, id_ in own} == {200}
    assert {get("ann", kind, id_).status_code for kind, id_ in others} == {404}
    assert {get("ben", kind, id_).status_code for kind, id_ in others} == {200}


def test_a_technician_without_a_van_posts_and_reads_nothing() -> None:
    Technician.objects.filter(code="ann").update(van=None)
    for kind in ("close", "use", "return", "count", "transfer"):
        answer = put("ann", kind, "X-1", BODIES[kind]())
        assert answer.status_code == 403
        assert "no van" in problem(answer)["detail"]
    assert get("ann", "close", "C-1").status_code == 404


def test_a_storekeeper_corrects_stock_but_no_job() -> None:
    put("olga", "return", "B-1", BODIES["return"]())
    put("olga", "use", "U-1", BODIES["use"]())
    for kind, id_ in (("close", "C-b"), ("use", "U-1"), ("return", "B-1")):
        body = {**BODIES["correction"](), "corrects_kind": kind, "corrects_id": id_}
        assert put("sue", "correction", f"K-{id_}", body).status_code == 403
        assert put("olga", "correction", f"K-{id_}", body).status_code == 201
        assert get("sue", "correction", f"K-{id_}").status_code == 404
    for kind in ("transfer", "count", "scrap", "receipt"):
        put("sue", kind, "S-1", BODIES[kind]())
        body = {**BODIES["correction"](), "corrects_kind": kind, "corrects_id": "S-1"}
        assert put("sue", "correction", f"K-{kind}", body).status_code == 201
        assert get("sue", "correction", f"K-{kind}").status_code == 200


def test_a_person_of_each_role_is_in_this_world() -> None:
    assert {str(role) for role in PEOPLE.values()} == EVERYONE


def book(reference: str, van: str, technician: str | None = None) -> None:
    """Book a job for a van and perhaps a technician."""
    Job.objects.create(
        reference=reference,
        van=Van.objects.get(place=Place.objects.get(code=van, kind=PlaceKind.VAN)),
        technician=Technician.objects.get(code=technician) if technician else None,
        job_type=JobType.objects.get(code="scratch-small"),
        damage_type=DamageType.objects.get(code="scratch"),
        glass=GlassType.objects.get(code="tempered"),
    )
