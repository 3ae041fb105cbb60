"""Jobs, their logged uses and lots agree with documents, and what was changed behind the doors is named."""

import json
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse
from hypothesis import given, settings

from inventory.db import append_only
from inventory.documents import digest
from inventory.integrity.document_checks import document_disagreements
from inventory.integrity.stock_checks import Disagreement
from inventory.models import Consumable, Document
from shop.integrity.job_checks import disagreements
from shop.models import DamageType, GlassType, Job, JobType, JobUse, Person, Role, Technician, Van
from tests.inventory.small_shop import undone_afterwards
from tests.shop.costing.random_shop import ACTIONS, RandomShop
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    PAD,
    book,
    close,
    correct,
    give_back,
    open_shop,
    receive,
    use_more,
    used,
)
from tests.thoroughness import examples


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()


def keep_books() -> None:
    """Close jobs, one a callback by its booking and one by its close, undo a close, and close that again."""
    receive("R-1", "2026-03-01", (DISC, "50", "50"), (COMPOUND, "500", "25"), (PAD, "2", "60"))
    close("J-1", "2026-03-02", used(DISC, "10", "80", "2"), used(PAD, "0", "60"))
    use_more("U-1", "J-1", used(COMPOUND, "40.5"))
    book("J-2", callback_of=Job.objects.get(reference="J-1"))
    close("J-2", "2026-03-03", used(DISC, "1", "10"))
    close("J-3", "2026-03-04", used(DISC, "3", "20"), callback_of="J-1")
    close("J-4", "2026-03-05", used(DISC, "4"), price=Decimal(70))
    correct("X-1", "close", "close-J-4")
    close("J-4", "2026-03-06", used(DISC, "5"), price=Decimal(75), id="again")
    close("J-5", "2026-03-07", used(DISC, "6"))
    correct("X-2", "close", "close-J-5")
    give_back("B-1", "2026-03-08", ("use", "U-1"), (COMPOUND, "10"))


def named() -> list[tuple[str, str]]:
    return [(found.what, found.where) for found in disagreements()]


def test_jobs_closed_through_the_door_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    keep_books()
    assert named() == []
    monkeypatch.setattr("shop.integrity.job_checks.CHUNK", 2)
    assert named() == []


@settings(max_examples=examples(15))
@given(ACTIONS)
def test_any_history_of_jobs_agrees(actions: list[tuple[str, datetime, list[Any], int]]) -> None:
    with undone_afterwards():
        random_shop = RandomShop()
        for number, action in enumerate(actions):
            random_shop.do(number, *action)
        assert [*disagreements(), *document_disagreements()] == []


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("price", lambda: Decimal(1)),
        ("labour_minutes", lambda: Decimal(1)),
        ("travel_minutes", lambda: Decimal(1)),
        ("closed_at", lambda: datetime.fromisoformat("2026-03-02T00:00:01+00:00")),
        ("van", lambda: Van.objects.get(place__code="VAN-2")),
        ("technician", lambda: Technician.objects.get(code="bo")),
        ("job_type", lambda: JobType.objects.get(code="regrind")),
        ("damage_type", lambda: DamageType.objects.get(code="scuff")),
        ("glass", lambda: GlassType.objects.get(code="laminated")),
        ("outcome", lambda: "reduced"),
        ("callback_of", lambda: Job.objects.get(reference="J-4")),
    ],
)
def test_a_changed_job_is_named(column: str, value: Callable[[], object]) -> None:
    keep_books()
    for reference, document in (("J-1", "close close-J-1"), ("J-4", "close again")):
        with undone_afterwards():
            changed = Job.objects.filter(reference=reference)
            other = value()
            if isinstance(other, Job) and reference == "J-4":
                other = Job.objects.get(reference="J-1")
            changed.update(**{column: other})
            assert named() == [(f"job, {column}", f"job {reference}, {document}")]


@pytest.mark.parametrize("reference", ["J-2", "J-3"])
def test_a_callback_that_lost_its_first_job_is_named(reference: str) -> None:
    keep_books()
    Job.objects.filter(reference=reference).update(callback_of=None)
    assert list(disagreements()) == [
        Disagreement("job, callback_of", f"job {reference}, close close-{reference}", "", "J-1")
    ]


def test_a_job_of_another_status_than_its_documents_give_is_named() -> None:
    keep_books()
    Job.objects.filter(reference="J-1").update(status="booked")
    Job.objects.filter(reference="J-5").update(
        status="closed", closed_at="2026-03-07T00:00:00+00:00", outcome="removed"
    )
    assert named() == [
        ("job, status", "job J-1, close close-J-1"),
        ("job, status", "job J-5"),
        ("job, closed_at", "job J-1"),
    ]


def test_a_job_under_another_reference_is_named() -> None:
    keep_books()
    Job.objects.filter(reference="J-3").update(reference="J-9")
    assert ("job", "close close-J-3") in named()


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("quantity", lambda: Decimal(11)),
        ("minutes", lambda: Decimal(81)),
        ("spoilt", lambda: Decimal(0)),
        ("spoilt_reason", lambda: "tore"),
        ("consumable", lambda: Consumable.objects.get(code=FINE_DISC)),
        ("job", lambda: Job.objects.get(reference="J-2")),
        ("line", lambda: 9),
    ],
)
def test_a_changed_use_is_named(column: str, value: Callable[[], object]) -> None:
    keep_books()
    JobUse.objects.filter(document__client_id="close-J-1", line=1).update(**{column: value()})
    assert ("logged use", "close close-J-1 line 1") in named()
    assert {what for what, _ in named()} == {"logged use"}


def test_a_changed_use_shows_both_sides() -> None:
    keep_books()
    JobUse.objects.filter(document__client_id="U-1").update(quantity=Decimal(1))
    [found] = disagreements()
    assert str(found.stored) == "1.0000 COMPOUND in 0.0000 minutes, 0.0000 spoilt, for J-1"
    assert str(found.expected) == "40.5000 COMPOUND in 0.0000 minutes, 0.0000 spoilt, for J-1"


def test_missing_and_added_uses_are_named() -> None:
    keep_books()
    JobUse.objects.filter(document__client_id__in=["U-1", "close-J-4"]).delete()
    JobUse.objects.filter(document__client_id="close-J-3").update(
        document=Document.objects.get(client_id="R-1")
    )
    assert named() == [
        ("logged use", "use U-1 line 1"),
        ("logged use", "close close-J-3 line 1"),
        ("logged use", "close close-J-4 line 1"),
        ("logged use", "receipt R-1 line 1"),
    ]


@pytest.mark.parametrize("said", ["not JSON", "[]", "{}", '{"job": 5}', json.dumps({"job": "J-1"})])
def test_a_close_that_cannot_be_read_is_named(said: str) -> None:
    keep_books()
    append_only.remove(connection)
    document = Document.objects.get(client_id="close-J-1")
    document.content["content"] = said
    document.digest = digest(document.content)
    document.save()
    assert set(named()) == {("content of document", "close close-J-1")}


def test_a_shelf_life_changed_in_the_admin_leaves_lots_as_they_are() -> None:
    Consumable.objects.filter(code=COMPOUND).update(shelf_life_days=90)
    receive("R-1", "2026-03-01", (COMPOUND, "500", "25"))
    compound = Consumable.objects.get(code=COMPOUND)
    client = Client()
    client.force_login(Person.objects.create_user("owner", role=Role.OWNER))
    form = {"name": "Compound", "kind": "measured", "stock_unit": "ml", "shelf_life_days": "30"}
    answer = client.post(reverse("admin:inventory_consumable_change", args=[compound.pk]), form)
    assert answer.status_code == 302
    compound.refresh_from_db()
    assert compound.shelf_life_days == 30
    assert list(document_disagreements()) == []
    compound.lots.update(code="L-1")
    assert [found.what for found in document_disagreements()] == ["lot"]
