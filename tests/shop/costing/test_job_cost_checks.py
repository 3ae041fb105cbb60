"""The checks of job costs find every cost that was changed behind the door."""

from decimal import Decimal
from typing import Any

import pytest
from django.db.models import Sum

from inventory.models import MovementValue
from shop.costing.absorption import wear_absorption
from shop.costing.formulas import AMOUNTS
from shop.costing.job_costs import refresh_from
from shop.integrity.job_cost_checks import disagreements
from shop.models import (
    DamageType,
    GlassType,
    Job,
    JobCost,
    JobType,
    Technician,
    Van,
)
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    assert_costs_follow_facts,
    at,
    charge_overhead,
    close,
    correct,
    cost_of_all,
    give_back,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db
DAY = "2026-03-10 09:00"


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()


def busy_world() -> None:
    """Post a document of every kind to jobs."""
    pay("60")
    charge_overhead("3000", "10000", "0.4")
    receive("R-1", "2026-03-01", (DISC, "100", "333"), (COMPOUND, "1000", "70"), (PAD, "2", "50"))
    close("J-1", DAY, used(DISC, "7", "60"), used(PAD, "1", "25"))
    close("J-2", DAY, used(DISC, "3"), callback_of="J-1", price=Decimal(0))
    use_more("U-1", "J-1", used(COMPOUND, "33.3"))
    give_back("B-1", "2026-03-11", ("close", "close-J-1"), (DISC, "2"))
    use_more("U-2", "J-2", used(COMPOUND, "1"))
    correct("K-1", "use", "U-2")
    correct("K-2", "close", "close-J-2")
    close("J-2", DAY, used(DISC, "4"), id="again", outcome="abandoned", callback_of="J-1")


@pytest.mark.parametrize("kind", ["close", "use", "return", "correction"])
@pytest.mark.parametrize(
    ("column", "value"),
    [
        *((name, Decimal("123.4567")) for name in AMOUNTS),
        ("jobs", 5),
        ("labour_minutes", Decimal("123.4567")),
        ("posted_at", NOW),
        ("closed_at", NOW),
        ("outcome", "reduced"),
    ],
)
def test_a_changed_cost_is_found(kind: str, column: str, value: object) -> None:
    busy_world()
    assert_costs_follow_facts()
    changed = JobCost.objects.filter(document__kind=kind).order_by("-pk")[0]
    JobCost.objects.filter(pk=changed.pk).update(**{column: value})
    (found,) = disagreements()
    assert found.what == f"job cost, {column}"
    assert found.where == f"job {changed.job}, {changed.document}"
    assert found.stored == value


@pytest.mark.parametrize("kind", ["close", "use", "return", "correction"])
@pytest.mark.parametrize(
    ("column", "model", "code"),
    [
        ("van", Van, "place__code"),
        ("technician", Technician, "code"),
        ("job_type", JobType, "code"),
        ("damage_type", DamageType, "code"),
        ("glass", GlassType, "code"),
    ],
)
def test_a_cost_under_another_heading_is_found(kind: str, column: str, model: Any, code: str) -> None:
    busy_world()
    changed = JobCost.objects.filter(document__kind=kind).order_by("-pk")[0]
    other = model.objects.exclude(pk=getattr(changed, f"{column}_id")).first()
    JobCost.objects.filter(pk=changed.pk).update(**{column: other})
    assert [found.what for found in disagreements()] == [f"job cost, {column}"]


@pytest.mark.parametrize("kind", ["close", "use", "return", "correction"])
def test_a_cost_of_another_job_and_a_missing_cost_are_found(kind: str) -> None:
    busy_world()
    changed = JobCost.objects.filter(document__kind=kind).order_by("pk")[0]
    other = Job.objects.exclude(pk=changed.job_id).get()
    JobCost.objects.filter(pk=changed.pk).update(job=other)
    assert ("job cost, job", f"job {other}, {changed.document}") in {
        (d.what, d.where) for d in disagreements()
    }
    JobCost.objects.filter(pk=changed.pk).delete()
    assert ("job cost", str(changed.document)) in {(d.what, d.where) for d in disagreements()}


def test_a_callback_under_another_original_is_found() -> None:
    busy_world()
    cost = JobCost.objects.get(document__client_id="again")
    JobCost.objects.filter(pk=cost.pk).update(callback_of=None)
    assert [found.what for found in disagreements()] == ["job cost, callback_of"]


def test_checking_goes_by_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    busy_world()
    monkeypatch.setattr("shop.integrity.job_cost_checks.CHUNK", 2)
    monkeypatch.setattr("shop.costing.job_costs.CHUNK", 2)
    assert_costs_follow_facts()
    JobCost.objects.update(wear=Decimal(77))
    assert len(list(disagreements())) == JobCost.objects.count() == 8
    refresh_from(at("2000-01-01"))
    assert_costs_follow_facts()


def test_values_of_movements_are_what_jobs_were_charged() -> None:
    busy_world()
    into, back = (
        MovementValue.objects.filter(**{f"movement__{end}__kind": "job"}).aggregate(v=Sum("value"))["v"]
        for end in ("destination", "source")
    )
    assert cost_of_all().materials + wear_absorption().actual == into - back
