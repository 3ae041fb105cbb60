"""Two phones with one job: what the one that came second is told and may do."""

from typing import Any

import pytest

from inventory.models import RefusedDocument
from shop.models import Person, Role, Technician, Van
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in
from tests.shop.web.test_home_views import book

pytestmark = pytest.mark.django_db
MORE = {"job": "J-1", "lines": [{"consumable": "disc-p400", "quantity": 1}]}


@pytest.fixture(autouse=True)
def a_job_that_a_colleague_closed() -> None:
    """Let ann close a job of her van, which cleo drives too."""
    open_served_shop()
    person = Person.objects.create(username="cleo", first_name="Cleo", role=Role.TECHNICIAN)
    Technician.objects.create(code="cleo", person=person, van=Van.objects.get(place__code="van-a"))
    Person.objects.filter(username="ann").update(first_name="Ann", last_name="Reed")
    book("J-1", van="van-a")
    assert put("ann", "close", "C-1", close_body("J-1")).status_code == 201


def standing(name: str, job: str) -> Any:
    """Ask who closed a job."""
    return signed_in(name).get("/phone/standing-close/", {"job": job})


@pytest.mark.django_db(transaction=True)
def test_a_colleague_who_comes_second_is_told_who_closed_the_job_and_the_owner_sees_both() -> None:
    answer = put("cleo", "close", "C-2", close_body("J-1", technician="cleo"))
    assert answer.status_code == 409
    detail = answer.json()["detail"]
    assert detail.startswith("Nothing was counted: job J-1 is closed already: Ann Reed closed it on 2026-")
    assert "C-1" not in detail
    assert RefusedDocument.objects.get().client_id == "C-2"


def test_what_the_second_phone_shows_of_the_first_close() -> None:
    found = standing("cleo", "J-1").json()
    assert (found["by"], found["username"], found["outcome"]) == ("Ann Reed", "ann", "removed")
    assert found["took"] == {"disc-p400": ["2", "15"]}
    assert found["closed_at"] == close_body()["closed_at"].replace("Z", "+00:00")


def test_who_comes_second_may_add_what_is_missing_but_not_to_another_vans_job() -> None:
    assert put("cleo", "use", "U-1", MORE).status_code == 201
    assert standing("cleo", "J-1").json()["took"] == {"disc-p400": ["3", "15"]}
    assert put("ben", "use", "U-2", MORE).status_code == 403


@pytest.mark.parametrize("job", ["J-1", "J-none", "", "J\x00"])
def test_nobody_is_told_of_another_vans_jobs(job: str) -> None:
    assert standing("ben", job).status_code in (400, 404)


def test_no_job_that_is_still_open_has_a_close() -> None:
    book("J-open", van="van-a")
    assert standing("cleo", "J-open").status_code == 404
