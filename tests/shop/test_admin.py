"""The admin changes set-up data only, under the models' own rules; the ledger is there to look at."""

from decimal import Decimal
from typing import Any

import pytest
from django.contrib import admin
from django.db import connection
from django.db.models import Model
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory.models import (
    Books,
    Consumable,
    CostAdjustment,
    CostPolicy,
    CountLine,
    Document,
    Holding,
    Lot,
    LowLevel,
    Movement,
    MovementValue,
    Pack,
    PeriodChange,
    Place,
    RefusedDocument,
    Supplier,
)
from shop.models import (
    Customer,
    DamageType,
    Finding,
    FormerStandard,
    GlassType,
    Job,
    JobCost,
    JobType,
    JobUse,
    LabourRate,
    OverheadRate,
    Person,
    Shop,
    Site,
    StandardUse,
    Technician,
    Van,
    WaitingUse,
)
from tests.inventory.small_shop import day
from tests.shop.api.served_shop import BODIES, close_body, open_served_shop, put, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

READ_ONLY = {
    Books, CostAdjustment, CostPolicy, CountLine, Document, Finding, FormerStandard, Holding, JobCost, JobUse,
    LabourRate, Lot, Movement, MovementValue, OverheadRate, PeriodChange, RefusedDocument, Shop,
}  # fmt: skip
SET_UP = {
    Consumable, Customer, DamageType, GlassType, Job, JobType, LowLevel, Pack, Person, Place, Site, Supplier,
    Technician, Van,
}  # fmt: skip
DELETED_ONLY = {WaitingUse}


@pytest.fixture
def owner() -> Client:
    """Return the browser of an owner of a shop with a closed job."""
    open_served_shop()
    put("olga", "close", "C-1", close_body(uses=[{"consumable": "disc-p400", "quantity": 1, "minutes": 55}]))
    return signed_in("olga")


def url(what: type[Model] | Model, page: str = "changelist") -> str:
    """Return the admin's page of a model, or of one row of it."""
    name = f"admin:{what._meta.app_label}_{what._meta.model_name}_{page}"
    return reverse(name, args=[what.pk] if isinstance(what, Model) else [])


def names(rows: set[type[Model]]) -> list[type[Model]]:
    """Return models in a fixed order."""
    return sorted(rows, key=lambda model: model.__name__)


def test_each_model_is_set_up_data_or_read_only_or_may_be_deleted(owner: Client) -> None:
    assert set(admin.site._registry) == READ_ONLY | SET_UP | DELETED_ONLY


@pytest.mark.parametrize("model", names(SET_UP))
def test_set_up_data_has_a_list_a_search_and_a_form(owner: Client, model: type[Model]) -> None:
    assert owner.get(url(model), {"q": "a"}).status_code == 200
    assert owner.get(url(model, "add")).status_code == 200


@pytest.mark.parametrize("model", names(READ_ONLY))
def test_the_ledger_and_what_commands_change_can_be_seen_not_touched(
    owner: Client, model: type[Model]
) -> None:
    put("olga", "count", "N-1", BODIES["count"]())
    listed = owner.get(url(model))
    assert listed.status_code == 200
    assert b"delete_selected" not in listed.content
    assert owner.get(url(model, "add")).status_code == 403
    assert owner.post(url(model, "add"), {}).status_code == 403
    row = model._default_manager.first()
    before = model._default_manager.count()
    if row is not None:
        assert owner.get(url(row, "change")).status_code == 200
        assert owner.post(url(row, "change"), {}).status_code == 403
        assert owner.post(url(row, "delete"), {"post": "yes"}).status_code == 403
    owner.post(
        url(model), {"action": "delete_selected", "_selected_action": [row.pk if row else 1], "post": "yes"}
    )
    assert model._default_manager.count() == before


def test_a_use_that_waits_may_be_deleted_but_not_made_or_changed(owner: Client) -> None:
    disc = Consumable.objects.get(code="disc-p400")
    one, two = (
        WaitingUse.objects.create(
            job_reference="J-9", consumable=disc, position=position, quantity=Decimal(3), recorded_at=day(3)
        )
        for position in (1, 2)
    )
    assert owner.get(url(WaitingUse, "add")).status_code == 403
    assert owner.post(url(one, "change"), {"quantity": "1"}).status_code == 403
    assert b"Are you sure" in owner.post(url(one, "delete")).content
    assert WaitingUse.objects.count() == 2
    assert owner.post(url(one, "delete"), {"post": "yes"}).status_code == 302
    chosen = {"action": "delete_selected", "_selected_action": [two.pk]}
    assert b"Are you sure" in owner.post(url(WaitingUse), chosen).content
    assert WaitingUse.objects.get() == two
    owner.post(url(WaitingUse), chosen | {"post": "yes"})
    assert not WaitingUse.objects.exists()
    assert b"J-9" in owner.get("/people/trail/").content


def test_there_are_rows_of_the_ledger_to_look_at(owner: Client) -> None:
    put("olga", "count", "N-1", BODIES["count"]())
    for model in (Document, Movement, CountLine, Holding, MovementValue, JobCost, JobUse, Finding, Shop, Lot):
        assert model._default_manager.exists(), model


@pytest.mark.parametrize("model", [Shop, LabourRate, OverheadRate])
def test_the_shop_and_its_rates_point_to_their_command(owner: Client, model: type[Model]) -> None:
    assert b"manage.py set_shop" in owner.get(url(model)).content
    if row := model._default_manager.first():
        assert b"manage.py set_shop" in owner.get(url(row, "change")).content


def test_exact_decimals_go_through_forms(owner: Client) -> None:
    form = {"code": "film", "name": "Film", "kind": "measured", "stock_unit": "m", "standard_cost": "0.1250"}
    assert owner.post(url(Consumable, "add"), form).status_code == 302
    film = Consumable.objects.get(code="film")
    assert film.standard_cost == Decimal("0.125")
    for wrong in ("0.12345", "-1", "NaN", "1e3000", "x"):
        assert owner.post(url(film, "change"), {**form, "standard_cost": wrong}).status_code == 200
    film.refresh_from_db()
    assert film.standard_cost == Decimal("0.125")


@pytest.mark.parametrize(
    ("model", "form"),
    [
        (Customer, {"code": "=1+1", "name": "x"}),
        (Customer, {"code": "ok", "name": "@x"}),
        (Consumable, {"code": "wheel", "name": "Wheel", "kind": "worn", "stock_unit": "each"}),
        (Consumable, {"code": "d", "name": "Disc", "kind": "counted", "stock_unit": "each", "grade": "fine"}),
        (Place, {"code": "second", "kind": "supplier"}),
        (Place, {"code": "depot", "kind": "depot"}),
        (Supplier, {"code": "maker"}),
    ],
)
def test_the_models_rules_hold_in_forms(owner: Client, model: type[Model], form: dict[str, str]) -> None:
    before = model._default_manager.count()
    inline = _inline("sites") if model is Customer else {}
    assert owner.post(url(model, "add"), {**form, **inline}).status_code == 200
    assert model._default_manager.count() == before


def test_a_consumable_that_has_moved_keeps_its_unit(owner: Client) -> None:
    disc = Consumable.objects.get(code="disc-p400")
    form = {"name": "Disc", "kind": "measured", "stock_unit": "g", "grade": "P400"}
    assert b"stay as they are" in owner.post(url(disc, "change"), form).content


def test_outside_places_stay_as_they_are(owner: Client) -> None:
    lost = Place.objects.get(code="lost")
    assert owner.post(url(lost, "change"), {"name": "found"}).status_code == 403
    assert owner.post(url(lost, "delete"), {"post": "yes"}).status_code == 403


def test_what_the_books_name_is_not_deleted(owner: Client) -> None:
    for row in (Place.objects.get(code="van-a"), Consumable.objects.get(code="disc-p400")):
        owner.post(url(row, "delete"), {"post": "yes"})
        assert type(row)._default_manager.filter(pk=row.pk).exists()


def test_a_job_type_is_edited_with_its_standard_uses(owner: Client) -> None:
    service = JobType.objects.get(code="scratch-small")
    disc = Consumable.objects.get(code="disc-p400")
    form = {
        "name": "Small scratch",
        "list_price": "120",
        "standard_minutes": "45",
        **_inline(
            "standard_uses", {"consumable": disc.pk, "quantity": "2.5", "minutes": "15", "finishing": "on"}
        ),
    }
    assert owner.post(url(service, "change"), form).status_code == 302
    use = StandardUse.objects.get(job_type=service)
    assert (use.quantity, use.minutes, use.finishing) == (Decimal("2.5"), Decimal(15), True)
    form |= _inline("standard_uses", {"consumable": disc.pk, "quantity": "-2", "minutes": "0"})
    assert owner.post(url(service, "change"), form).status_code == 200


def test_a_job_is_booked_changed_and_cancelled(owner: Client) -> None:
    assert owner.post(url(Job, "add"), booking(reference="B-1", length_mm="120.5")).status_code == 302
    job = Job.objects.get(reference="B-1")
    assert (job.status, job.length_mm) == ("booked", Decimal("120.5"))
    changed = booking(status="cancelled", reference="OTHER")
    assert owner.post(url(job, "change"), changed).status_code == 302
    job.refresh_from_db()
    assert (job.status, job.reference) == ("cancelled", "B-1")
    assert owner.post(url(job, "delete"), {"post": "yes"}).status_code == 403


def test_only_a_close_closes_a_job_and_then_it_stays(owner: Client) -> None:
    assert owner.post(url(Job, "add"), booking(reference="B-1", status="closed")).status_code == 200
    closed = Job.objects.get(reference="J-1")
    assert owner.get(url(closed, "change")).status_code == 200
    assert owner.post(url(closed, "change"), booking(price="1")).status_code == 403
    closed.refresh_from_db()
    assert closed.price == Decimal(100)


def test_a_booked_callback_cannot_come_back_to_itself(owner: Client) -> None:
    owner.post(url(Job, "add"), booking(reference="B-1"))
    job = Job.objects.get(reference="B-1")
    put("olga", "close", "C-2", close_body("J-2", callback_of="B-1"))
    later = Job.objects.get(reference="J-2")
    for circular in (later, job):
        answer = owner.post(url(job, "change"), booking(callback_of=str(circular.pk)))
        assert b"callback of this job" in answer.content
    assert owner.post(url(job, "change"), booking(callback_of=str(_closed_job().pk))).status_code == 302


def test_a_person_gets_a_role_and_nothing_else(owner: Client) -> None:
    form = {
        "username": "tess",
        "usable_password": "true",
        "password1": "green bottle over hill",
        "password2": "green bottle over hill",
        "role": "storekeeper",
        "is_superuser": "on",
        "is_staff": "on",
    }
    assert owner.post(url(Person, "add"), form).status_code == 302
    tess = Person.objects.get(username="tess")
    assert (tess.role, tess.is_superuser, tess.is_staff) == ("storekeeper", False, False)
    assert tess.check_password("green bottle over hill")
    assert Client().get(url(tess, "change")).status_code == 302
    owner.post(url(tess, "change"), {"role": "accountant", "username": "olga", "is_active": ""})
    tess.refresh_from_db()
    assert (tess.role, tess.username, tess.is_active) == ("accountant", "tess", False)
    assert owner.post(url(tess, "delete"), {"post": "yes"}).status_code == 403


def test_a_password_that_is_easy_to_guess_is_refused(owner: Client) -> None:
    form = {"username": "tess", "usable_password": "true", "role": "owner"}
    for password in ("tess", "12345678", "password1"):
        assert (
            owner.post(url(Person, "add"), {**form, "password1": password, "password2": password}).status_code
            == 200
        )
    assert not Person.objects.filter(username="tess").exists()


def test_lists_make_the_same_number_of_queries_however_long(owner: Client) -> None:
    def grow(number: int) -> None:
        put("olga", "close", f"C-g{number}", close_body(f"J-g{number}"))
        for kind in ("receipt", "transfer", "count", "scrap", "use"):
            put("olga", kind, f"X-{number}", BODIES[kind]())
        place = Place.objects.create(code=f"van-{number}", kind="van")
        disc = Consumable.objects.get(code="disc-p400")
        van = Van.objects.create(place=place)
        person = Person.objects.create(username=f"p-{number}")
        Technician.objects.create(code=f"t-{number}", van=van, person=person)
        customer = Customer.objects.create(code=f"c-{number}", name="A customer")
        Site.objects.create(customer=customer, name="Front")
        LowLevel.objects.create(place=place, consumable=disc, quantity=Decimal(1))
        Pack.objects.create(
            supplier=Supplier.objects.get(), consumable=disc, name=f"box {number}", stock_units=Decimal(25)
        )

    grow(0)
    before = _queries_of_lists(owner)
    for number in range(1, 4):
        grow(number)
    assert _queries_of_lists(owner) == before
    assert max(before.values()) < 20


def _queries_of_lists(client: Client) -> dict[str, int]:
    """Return the number of queries of each list."""
    found = {}
    for model in names(READ_ONLY | SET_UP | DELETED_ONLY):
        with CaptureQueriesContext(connection) as queries:
            assert client.get(url(model)).status_code == 200
        found[model.__name__] = len(queries)
    return found


def _closed_job() -> Job:
    return Job.objects.get(reference="J-1")


def test_jobs_are_filtered_by_van(owner: Client) -> None:
    put("olga", "close", "C-b", close_body("J-b", van="van-b"))
    van = Van.objects.get(place__code="van-b")
    listed = owner.get(url(Job), {"van": str(van.pk)}).content
    assert b"J-b" in listed
    assert b"J-1<" not in listed
    assert b"J-1<" in owner.get(url(Job), {"van": "x"}).content


def booking(**changes: str) -> dict[str, Any]:
    """Return the form of a booked job."""
    return {
        "status": "booked",
        "van": Van.objects.get(place__code="van-a").pk,
        "job_type": JobType.objects.get(code="scratch-small").pk,
        "damage_type": DamageType.objects.get(code="scratch").pk,
        "glass": GlassType.objects.get(code="tempered").pk,
        "price": "150",
        "booked_for": "2026-03-02",
        "catches_fingernail": "unknown",
        **changes,
    }


def _inline(prefix: str, *rows: dict[str, Any]) -> dict[str, Any]:
    """Return the fields of an inline form with new rows."""
    fields = {f"{prefix}-TOTAL_FORMS": len(rows), f"{prefix}-INITIAL_FORMS": 0}
    return fields | {
        f"{prefix}-{n}-{name}": value for n, row in enumerate(rows) for name, value in row.items()
    }
