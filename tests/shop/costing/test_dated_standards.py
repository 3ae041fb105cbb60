"""A standard counts from a day on; what jobs of earlier days are held against never changes."""

import json
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.ledger.period_lock import change_lock
from inventory.models import Consumable
from shop.costing.standard_costs import labour_lines, material_lines
from shop.costing.standards import StandardsByDay, keep_former_standards, present_standards
from shop.models import FormerStandard, JobType, StandardUse
from shop.web.accounting.export_views import FILES
from tests.inventory.small_shop import day, undone_afterwards
from tests.shop.api.served_shop import close_body, open_served_shop, problem, put, signed_in
from tests.shop.world import pay
from tests.thoroughness import examples

pytestmark = pytest.mark.django_db

DISC, COMPOUND, SERVICE = "disc-p400", "compound", "scratch-small"
# Jobs of January are locked below, those of March are open.
LOCKED, OPEN = (date(2026, 1, 1), date(2026, 1, 31)), (date(2026, 2, 1), date(2026, 3, 31))


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    """Start with a job of January, with all standards, and the books locked until February."""
    open_served_shop()
    pay("60")
    set_service()
    set_cost("2.40")
    close("J-1", "2026-01-20T10:00:00Z")
    lock()


def lock() -> None:
    change_lock(day(0).replace(month=2, day=1, hour=0), reason="done", by="olga", now=day(200))


def close(job: str, moment: str) -> None:
    uses = [{"consumable": DISC, "quantity": 5}, {"consumable": COMPOUND, "quantity": "7.3333"}]
    assert put("olga", "close", f"C-{job}", close_body(job, closed_at=moment, uses=uses)).status_code == 201


def api(path: str, row: str, /, **body: Any) -> Any:
    return signed_in("olga").put(f"/api/v1/{path}/{row}", json.dumps(body), content_type="application/json")


def set_service(minutes: str = "50", discs: str | None = "4", since: str | None = None) -> Any:
    uses = [{"consumable": DISC, "quantity": discs}] if discs else []
    return api("job-types", SERVICE, standard_minutes=minutes, standard_uses=uses, standards_from=since)


def set_cost(cost: str | None, since: str | None = None) -> Any:
    disc = {"name": "Disc", "kind": "counted", "stock_unit": "each", "grade": "P400"}
    return api("consumables", DISC, **disc, standard_cost=cost, standards_from=since)


def files(start: date, end: date) -> dict[str, bytes]:
    """Return every file of a period."""
    browser = signed_in("olga")
    found = {}
    for name in FILES:
        answer = browser.get(f"/accounts/exports/{name}.csv", {"start": f"{start}", "end": f"{end}"})
        assert answer.status_code == 200, answer.content
        found[name] = b"".join(answer.streaming_content)  # type: ignore[attr-defined] # it streams
    return found


def by_the_api() -> None:
    """Set another value of every number of every service and consumable, and what each service takes."""
    browser = signed_in("olga")
    for kind in ("consumables", "job-types"):
        for shown in browser.get(f"/api/v1/{kind}/").json()["results"]:
            said = {name: value for name, value in shown.items() if name != "code"}
            for name in ("list_price", "standard_minutes", "standard_cost"):
                if name in said:
                    said[name] = str(Decimal(said[name] or 0) + Decimal("7.7"))
            if kind == "job-types":
                said["standard_uses"] = [{"consumable": COMPOUND, "quantity": 33}]
            answer = api(kind, shown["code"], **said)
            assert answer.status_code == 200, answer.content


def by_the_admin() -> None:
    """Set another value of every number in every form of the admin that shows a standard."""
    browser = signed_in("olga")
    for row in (*Consumable.objects.all(), *JobType.objects.all()):
        path = reverse(f"admin:{row._meta.app_label}_{row._meta.model_name}_change", args=[row.pk])
        page = browser.get(path)
        form = page.context["adminform"].form
        said = {name: "" if (now := form[name].value()) is None else now for name in form.fields}
        for name in ("list_price", "standard_minutes", "standard_cost"):
            if name in said:
                said[name] = str(Decimal(said[name] or 0) + Decimal("7.7"))
        for inline in page.context["inline_admin_formsets"]:
            formset = inline.formset
            said |= {f"{formset.prefix}-{n}": formset.management_form[n].value() for n in TOTALS}
            for line in formset.initial_forms:
                shown = {name: line[name].value() for name in line.fields}
                said |= {line.add_prefix(n): now for n, now in shown.items() if now is not None}
                if not shown["finishing"]:
                    said.pop(line.add_prefix("finishing"), None)
                said[line.add_prefix("quantity")] = "11"
        answer = browser.post(path, said)
        assert answer.status_code == 302, answer.context["errors"]


TOTALS = ("TOTAL_FORMS", "INITIAL_FORMS", "MIN_NUM_FORMS", "MAX_NUM_FORMS")


@pytest.mark.parametrize("change", [by_the_api, by_the_admin])
def test_no_change_of_a_standard_changes_a_file_of_a_closed_period(change: Callable[[], None]) -> None:
    before = files(*LOCKED)
    assert all(before.values())
    change()
    assert StandardUse.objects.exclude(quantity=4).exists()
    assert JobType.objects.filter(standard_minutes__gt=57).exists()
    assert Consumable.objects.get(code=DISC).standard_cost == Decimal("10.1")
    assert files(*LOCKED) == before


def test_standards_from_a_day_on_count_for_jobs_of_that_day_and_later() -> None:
    close("J-2", "2026-03-09T23:59:59Z")
    close("J-3", "2026-03-10T00:00:00Z")
    before = files(*LOCKED)
    assert set_service("40", "3", "2026-03-10").status_code == 200
    assert set_cost("3", "2026-03-10").status_code == 200
    (labour,) = labour_lines(*OPEN)
    assert labour.standard_minutes == 50 + 40
    assert labour.variances is not None
    assert labour.variances.efficiency == 10 + 20
    disc = next(line for line in material_lines(*OPEN) if line.consumable == DISC)
    assert (disc.actual_quantity, disc.standard_quantity) == (Decimal(10), Decimal(7))
    assert disc.variances is not None
    # One more than 4 at 2.40, two more than 3 at 3.00.
    assert disc.variances.quantity == Decimal("2.4") + Decimal(6)
    assert files(*LOCKED) == before


def test_a_standard_that_is_taken_away_stays_for_earlier_jobs() -> None:
    close("J-2", "2026-03-10T10:00:00Z")
    before = files(*LOCKED)
    assert set_service("0", None, "2026-03-01").status_code == 200
    assert set_cost(None, "2026-03-01").status_code == 200
    (labour,) = labour_lines(*OPEN)
    assert labour.standard_minutes == 0
    assert [line.variances for line in material_lines(*OPEN)] == [None, None]
    assert files(*LOCKED) == before


def test_a_first_standard_counts_for_all_open_jobs_and_no_locked_one() -> None:
    close("J-2", "2026-03-10T10:00:00Z")
    before = files(*LOCKED)
    uses = [{"consumable": DISC, "quantity": 4}, {"consumable": COMPOUND, "quantity": 5}]
    assert api("job-types", SERVICE, standard_minutes=50, standard_uses=uses).status_code == 200
    compound = {"name": "Compound", "kind": "measured", "stock_unit": "ml", "standard_cost": "0.05"}
    assert api("consumables", COMPOUND, **compound).status_code == 200
    line = next(line for line in material_lines(*OPEN) if line.consumable == COMPOUND)
    assert line.standard_quantity == 5
    assert line.variances is not None
    assert files(*LOCKED) == before


@pytest.mark.parametrize(
    ("since", "problem_text"),
    [("2026-01-31", "is locked; the first open day is 2026-02-01"), ("2100-01-01", "is after today")],
)
def test_a_day_that_is_locked_or_to_come_is_refused_and_nothing_changes(
    since: str, problem_text: str
) -> None:
    for answer in (set_service("40", "3", since), set_cost("3", since)):
        assert answer.status_code == 400
        (found,) = problem(answer)["errors"]
        assert (found["field"], found["value"]) == ("standards_from", since)
        assert problem_text in found["expected"]
    disc = Consumable.objects.get(code=DISC)
    form = {"name": "Disc", "kind": "counted", "stock_unit": "each", "standard_cost": "9"}
    path = reverse("admin:inventory_consumable_change", args=[disc.pk])
    answer = Client.post(signed_in("olga"), path, {**form, "standards_from": since})
    assert problem_text in answer.content.decode()
    disc.refresh_from_db()
    assert disc.standard_cost == Decimal("2.40")
    assert JobType.objects.get(code=SERVICE).standard_minutes == 50
    assert not FormerStandard.objects.exists()


def test_the_same_standards_again_keep_their_day() -> None:
    set_service("40", "3", "2026-03-10")
    kept = list(map(str, FormerStandard.objects.all()))
    set_service("40", "3")
    set_service("40", "3", "2026-03-10")
    set_service("40", "3", "2026-03-20")
    assert list(map(str, FormerStandard.objects.all())) == kept
    # Said again for an earlier day, they count from there.
    set_service("40", "3", "2026-03-05")
    assert {row.in_force_before for row in FormerStandard.objects.all()} == {date(2026, 3, 5)}


CHANGES = st.lists(st.tuples(st.integers(1, 60), st.one_of(st.none(), st.integers(0, 9))), max_size=8)


@settings(max_examples=examples(25), deadline=None)
@given(CHANGES, st.lists(st.integers(0, 70), max_size=6))
def test_each_job_is_held_against_the_last_standard_set_for_its_day(
    changes: list[tuple[int, int | None]], asked: list[int]
) -> None:
    start = date(2026, 2, 1).toordinal()
    disc = Consumable.objects.get(code=DISC)
    by_hand: dict[int, Decimal | None] = dict.fromkeys(range(71), disc.standard_cost)
    with undone_afterwards():
        for since, cost in changes:
            before = present_standards(disc)
            disc.standard_cost = None if cost is None else Decimal(cost)
            disc.save()
            keep_former_standards(disc, before, date.fromordinal(start + since))
            by_hand |= dict.fromkeys(range(since, 71), disc.standard_cost)
        standards = StandardsByDay(date.fromordinal(start + at) for at in asked)
        ends = {standards.first_day(n): n for n in range(len(standards._days) + 1)}
        for at in asked:
            found = standards.in_force(
                (None, disc.pk), ends[date.fromordinal(start + at)], disc.standard_cost
            )
            assert found == by_hand[at]
