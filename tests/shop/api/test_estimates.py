"""The estimate for programs: what it answers, to whom, and what it refuses."""

from typing import Any

import pytest

from shop.models import Job, JobType, LabourRate
from tests.shop.api.served_shop import close_body, errors, open_served_shop, problem, put, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]
PATH = "/api/v1/estimates/"


@pytest.fixture(autouse=True)
def shop() -> None:
    """Open the shop with ten jobs of an hour at 40 and two discs."""
    open_served_shop()
    LabourRate.objects.create(per_hour=40)
    for number in range(10):
        body = close_body(f"J-{number}", length_mm=str(100 + number))
        assert put("olga", "close", f"C-{number}", body).status_code == 201


def ask(name: str, **query: str) -> Any:
    """Return the answer to a person's question."""
    return signed_in(name).get(PATH, query)


def test_it_answers_with_amounts_costs_a_price_and_what_it_rests_on() -> None:
    found = ask("olga", damage_type="scratch", job_type="scratch-small", glass="tempered").json()
    assert (found["jobs"], found["alike_in"], found["level_percent"]) == (10, ["damage_type"], 80)
    assert found["discs"] == [
        {
            "label": "P400",
            "unit": "each",
            "amount": {"median": "2", "low": "2", "high": "2"},
            "minutes": {"median": "15.0000", "low": "15.0000", "high": "15.0000"},
        }
    ]
    assert found["costs"]["labour"]["median"] == "40.0000"
    assert found["costs"]["total"]["median"] == "45.0000"
    assert (found["price_at_target"], found["currency"]) == ("64.29", "EUR")
    assert (found["came_to_nothing"], found["all_jobs"]) == (0, 10)


def test_a_technician_is_told_the_price_but_no_cost() -> None:
    found = ask("ann", damage_type="scratch", price="10").json()
    assert found["costs"] is None
    assert found["price_at_target"] == "64.29"
    assert [doubt["reason"] for doubt in found["doubts"]] == ["below target"]
    owners = ask("olga", damage_type="scratch", price="10").json()
    assert [doubt["reason"] for doubt in owners["doubts"]] == ["loses money", "below target"]


def test_doubts_are_told_with_a_reason_for_programs() -> None:
    query = {"catches_fingernail": "true", "in_primary_view": "true", "length_mm": "900"}
    found = ask("ann", damage_type="scratch", **query).json()
    assert [doubt["reason"] for doubt in found["doubts"]] == ["deep", "primary view", "unseen length"]


def test_without_jobs_it_is_the_standard_without_an_interval() -> None:
    JobType.objects.create(code="new", standard_minutes=30)
    open_damage = {"damage_type": "scratch", "job_type": "new"}
    assert ask("olga", **open_damage).json()["jobs"] == 10
    Job.objects.update(outcome="abandoned")
    found = ask("olga", **open_damage).json()
    assert (found["jobs"], found["minutes"]) == (0, {"median": "30.0000", "low": None, "high": None})
    assert found["price_at_target_high"] is None


@pytest.mark.parametrize(
    ("query", "wrong"),
    [
        ({}, {"damage_type"}),
        ({"damage_type": "unheard"}, {"damage_type"}),
        ({"damage_type": "scratch", "length_mm": "-1", "price": "much"}, {"length_mm", "price"}),
        ({"damage_type": "scratch", "catches_fingernail": "yes"}, {"catches_fingernail"}),
        ({"damage_type": "scratch", "lenght_mm": "5"}, {"lenght_mm"}),
        ({"damage_type": "scratch", "page": "1"}, {"page"}),
    ],
)
def test_what_cannot_be_asked_is_named(query: dict[str, str], wrong: set[str]) -> None:
    answer = ask("olga", **query)
    assert answer.status_code == 400
    assert {field for field, _ in errors(answer)} == wrong


@pytest.mark.parametrize("name", ["sue", "ada"])
def test_others_are_refused(name: str) -> None:
    answer = ask(name, damage_type="scratch")
    assert answer.status_code == 403
    problem(answer)
