"""Margins of groups of jobs, against a computation from jobs, their uses and the ledger's values alone."""

import random
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from django.db.models import Sum

from inventory import ledger
from inventory.documents import Receipt, ReceiptLine
from inventory.integrity import value_reconciliation
from inventory.models import MovementValue
from shop.costing.absorption import wear_absorption
from shop.costing.formulas import AMOUNTS, NO_COSTS, JobCosts, minutes_cost, overhead_cost, wear_cost
from shop.jobs.close_job import close_many
from shop.models import Customer, Job, JobUse, Site, start_of_day
from shop.profitability import margins
from shop.profitability.margins import GROUPINGS, GroupMargin, margin_report
from shop.profitability.ratio_intervals import margin_ratio
from tests.shop.world import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    assert_costs_follow_facts,
    at,
    book,
    charge_overhead,
    close,
    closing_of,
    correct,
    cost_of_all,
    export,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db
LISBON = ZoneInfo("Europe/Lisbon")


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop(zone="Europe/Lisbon")


def trade(jobs: int = 60) -> None:
    """Close jobs around the turn of March to April 2026, clocks having gone forward on 29 March."""
    chance = random.Random(7)  # noqa: S311 - examples, not secrets
    pay("47.5")
    pay("61.3", date(2026, 3, 29), "ann")
    charge_overhead("4321", "9876", "0.37")
    receive("R-1", "2026-01-01", (DISC, "1000", "1234.56"), (COMPOUND, "9000", "432.1"), (PAD, "40", "777"))
    for number, name in enumerate(("Same name", "Same name", "Other")):
        Site.objects.create(customer=Customer.objects.create(code=f"C-{number}", name=name), name="Here")
    for number in range(0, jobs, 3):
        book(f"J-{number}", site=Site.objects.order_by("pk")[number % 2 + number % 5 // 4])
    closes = []
    for number in range(jobs):
        moment = datetime(2026, 3, 27, 22, 30, tzinfo=UTC) + timedelta(minutes=chance.randint(0, 6 * 1440))
        closes.append(
            closing_of(
                f"J-{number}",
                moment.isoformat(),
                used(DISC, str(chance.randint(1, 9)), str(chance.randint(0, 50))),
                used(COMPOUND, str(chance.randint(1, 99)), "0"),
                used(PAD, str(chance.randint(0, 1)), str(chance.randint(1, 40))),
                van=chance.choice(("VAN-1", "VAN-2")),
                technician=chance.choice(("ann", "bo")),
                job_type=chance.choice(("polish", "regrind")),
                damage_type=chance.choice(("scratch", "scuff", "acid etch", "graffiti", "other")),
                glass=chance.choice(("tempered", "laminated")),
                price=Decimal(chance.randint(0, 30_000)) / 100,
                labour_minutes=Decimal(chance.randint(10, 200)),
                travel_minutes=Decimal(chance.randint(0, 90)),
                outcome=chance.choice(("removed", "abandoned")),
                callback_of=f"J-{chance.randrange(number)}" if number and not number % 7 else "",
            )
        )
    close_many(closes, now=NOW)


def naive_costs() -> dict[str, JobCosts]:
    """Return what each job cost: from jobs, logged uses, movement values and the rates above."""
    found = {}
    values = {
        (document, kind): value
        for document, kind, value in MovementValue.objects.filter(movement__destination__kind="job")
        .values_list("movement__document", "movement__consumable__kind")
        .annotate(total=Sum("value"))
    }
    for job in Job.objects.select_related("technician"):
        assert job.closed_at
        assert job.labour_minutes is not None
        assert job.travel_minutes is not None
        assert job.technician
        documents = set(JobUse.objects.filter(job=job).values_list("document", flat=True))
        materials = sum(
            (values.get((d, kind), Decimal(0)) for d in documents for kind in ("counted", "measured")),
            Decimal(0),
        )
        wear = sum(
            (
                wear_cost(use.minutes, Decimal(777), Decimal(300 * 40))
                for use in job.uses.filter(consumable__code=PAD)
            ),
            Decimal(0),
        )
        own = job.technician.code == "ann" and job.closed_at.astimezone(LISBON).date() >= date(2026, 3, 29)
        rate = Decimal("61.3") if own else Decimal("47.5")
        found[job.reference] = JobCosts(
            job.price,
            materials,
            wear,
            minutes_cost(job.labour_minutes, rate),
            minutes_cost(job.travel_minutes, rate + 60 * Decimal("0.37")),
            overhead_cost(job.labour_minutes, Decimal(4321), Decimal(9876)),
        )
    return found


def label_of(job: Job, by: str) -> str:
    assert job.closed_at
    local = job.closed_at.astimezone(LISBON)
    return {
        "job": job.reference,
        "job_type": job.job_type.code,
        "damage_type": job.damage_type.code,
        "glass": job.glass.code,
        "technician": job.technician.code if job.technician else "",
        "van": job.van.code,
        "customer": job.site.customer.code if job.site else "(none)",
        "month": f"{local:%Y-%m}",
    }[by]


def naive_report(
    costs: dict[str, JobCosts], by: str, start: date | None, end: date | None, *, lifetime: bool
) -> dict[str, tuple[int, JobCosts, list[JobCosts]]]:
    groups: dict[str, list[JobCosts]] = defaultdict(list)
    for job in Job.objects.select_related("site__customer", "van__place", "callback_of"):
        assert job.closed_at
        day = job.closed_at.astimezone(LISBON).date()
        if (start and day < start) or (end and day > end):
            continue
        first = job
        while lifetime and first.callback_of:
            first = first.callback_of
        label = label_of(first, by)
        groups[label_of(job, by) if label == "(none)" else label].append(costs[job.reference])
    return {label: (len(jobs), sum(jobs, NO_COSTS), jobs) for label, jobs in groups.items()}


PERIODS = [
    (None, None),
    (date(2026, 3, 29), date(2026, 3, 29)),
    (date(2026, 3, 30), date(2026, 3, 31)),
    (date(2026, 4, 1), None),
    (None, date(2026, 3, 28)),
]


@pytest.mark.parametrize("lifetime", [False, True])
def test_every_grouping_and_period_agrees_with_the_jobs_themselves(lifetime: bool) -> None:
    trade()
    costs = naive_costs()
    seen = 0
    for by in GROUPINGS:
        for start, end in PERIODS:
            expected = naive_report(costs, by, start, end, lifetime=lifetime)
            groups = margin_report(by, start, end, lifetime=lifetime)
            assert [group.label for group in groups] == sorted(expected)
            for group in groups:
                jobs, total, singles = expected[group.label]
                assert group.jobs == jobs
                for field in fields(JobCosts):
                    assert getattr(group, field.name) == getattr(total, field.name), (by, group.label, field)
                assert (group.contribution, group.margin) == (total.contribution, total.margin)
                interval = margin_ratio([c.margin for c in singles], [c.revenue for c in singles])
                assert (group.ratio, group.low, group.high, group.note) == pytest.approx(
                    (interval.ratio, interval.low, interval.high, interval.note)
                )
                seen += 1
    assert seen > 100


def test_a_day_is_the_shops_day_also_when_it_has_23_hours() -> None:
    assert start_of_day(date(2026, 3, 30)) - start_of_day(date(2026, 3, 29)) == timedelta(
        hours=24
    )  # on the clocks; on UTC's it is an hour less:
    begins, ends = (start_of_day(date(2026, 3, day)).astimezone(UTC) for day in (29, 30))
    assert ends - begins == timedelta(hours=23)
    for job, moment in (
        ("last of 28", begins - timedelta(microseconds=1)),
        ("first of 29", begins),
        ("last of 29", ends - timedelta(microseconds=1)),
        ("first of 30", ends),
    ):
        close(job, moment.isoformat())
    on_29 = [group.label for group in margin_report("job", date(2026, 3, 29), date(2026, 3, 29))]
    assert on_29 == ["first of 29", "last of 29"]
    assert [row["job"] for row in export("2026-03-29", "2026-03-29")] == ["first of 29", "last of 29"]


def test_months_are_the_shops_months() -> None:
    # In summer time Lisbon is an hour ahead of UTC.
    close("March", "2026-03-31 22:59:59")
    close("April", "2026-03-31 23:00")
    assert [(group.label, group.jobs) for group in margin_report("month")] == [("2026-03", 1), ("2026-04", 1)]


def test_a_job_that_posts_in_two_months_counts_in_the_first_and_costs_in_both() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"))
    close("J-1", "2026-03-20")
    lock("2026-04-01")
    use_more("U-1", "J-1", used(DISC, "4"))
    march, april = margin_report("month")
    assert (march.label, march.jobs, march.revenue, march.materials) == (
        "2026-03",
        1,
        Decimal(200),
        Decimal(0),
    )
    assert (april.label, april.jobs, april.revenue, april.materials) == ("2026-04", 0, Decimal(0), Decimal(8))
    assert (april.ratio, april.note) == (None, "no revenue")
    (whole,) = margin_report("damage_type")
    assert (whole.jobs, whole.margin) == (1, Decimal(192))


def test_what_was_returned_lowers_the_cost() -> None:
    receive("R-1", "2026-03-01", (DISC, "10", "20"))
    close("J-1", "2026-03-20", used(DISC, "4"))
    give_back("B-1", "2026-03-21", ("close", "close-J-1"), (DISC, "3"))
    (group,) = margin_report("damage_type")
    assert (group.jobs, group.materials, group.margin) == (1, Decimal(2), Decimal(198))


def test_a_job_undone_within_the_period_leaves_no_trace_in_the_interval() -> None:
    for number in range(4):
        close(f"J-{number}", "2026-03-20", price=Decimal(100 + number), travel_minutes=Decimal(number))
    pay("60")
    margins_before = margin_report("damage_type")
    close("X", "2026-03-20", damage_type="other")
    close("Y", "2026-03-20")
    correct("K-1", "close", "close-X")
    correct("K-2", "close", "close-Y")
    assert margin_report("damage_type") == margins_before


def test_few_jobs_say_how_far_to_trust_them() -> None:
    trade()
    groups = margin_report("damage_type")
    assert len(groups) >= 4
    for group in groups:
        assert group.ratio is not None
        assert group.low is not None
        assert group.high is not None
        assert group.low <= group.ratio <= group.high
        assert group.shrunk is not None
        assert group.jobs > 0
    ratios = [group.ratio for group in groups if group.ratio is not None]
    shrunk = [group.shrunk for group in groups if group.shrunk is not None]
    assert max(shrunk) - min(shrunk) < max(ratios) - min(ratios)
    (single,) = margin_report("job", date(2026, 3, 28), date(2026, 3, 28))[:1]
    assert (single.low, single.note) == (None, "one job: no interval")


@pytest.mark.parametrize("by", ["damage_type", "van", "month"])
def test_random_groups_of_many_jobs_agree_with_single_jobs(by: str, monkeypatch: pytest.MonkeyPatch) -> None:
    trade(400)
    single = margin_report(by)
    monkeypatch.setattr(margins, "MOST_SINGLE_JOBS", 100)
    monkeypatch.setattr(margins, "RANDOM_GROUPS", 150)
    grouped = margin_report(by)
    for one, many in zip(single, grouped, strict=True):
        plain = replace(many, ratio=one.ratio, low=one.low, high=one.high, shrunk=one.shrunk, note=one.note)
        assert plain == one
        assert many.ratio == pytest.approx(one.ratio, rel=1e-12)
        assert one.low is not None and one.high is not None  # noqa: PT018
        assert many.low is not None and many.high is not None  # noqa: PT018
        # The width of an interval from k groups has a relative error of about 1 / sqrt(2k): 6% for 150.
        assert many.high - many.low == pytest.approx(one.high - one.low, rel=0.25)
        assert (many.low + many.high) / 2 == pytest.approx((one.low + one.high) / 2, abs=0.02)
        assert many.shrunk == pytest.approx(one.shrunk, abs=0.02)


def test_a_small_group_beside_large_ones_is_not_pulled_harder_by_random_groups(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    chance = random.Random(3)  # noqa: S311 - examples, not secrets
    sizes = {"scratch": 300, "scuff": 300, "graffiti": 300, "acid etch": 8, "other": 8}
    level = {"scratch": 40, "scuff": 60, "graffiti": 80, "acid etch": 120, "other": 20}
    pay("60")
    close_many(
        [
            closing_of(
                f"{damage}-{number}",
                "2026-03-20",
                damage_type=damage,
                price=Decimal(200),
                labour_minutes=Decimal(level[damage] + chance.randint(-15, 15)),
            )
            for damage, size in sizes.items()
            for number in range(size)
        ],
        now=NOW,
    )
    single = {group.label: group for group in margin_report("damage_type")}
    monkeypatch.setattr(margins, "MOST_SINGLE_JOBS", 100)
    monkeypatch.setattr(margins, "RANDOM_GROUPS", 60)
    grouped = {group.label: group for group in margin_report("damage_type")}
    for label in sizes:
        assert grouped[label].ratio == pytest.approx(single[label].ratio, rel=1e-12)
        assert grouped[label].shrunk == pytest.approx(single[label].shrunk, abs=0.003)


def test_customers_of_one_name_are_two() -> None:
    for number in (1, 2):
        customer = Customer.objects.create(code=f"C-{number}", name="Same name")
        book(f"J-{number}", site=Site.objects.create(customer=customer, name="Here"))
        close(f"J-{number}", "2026-03-20")
    close("J-3", "2026-03-20")
    assert [(group.label, group.jobs) for group in margin_report("customer")] == [
        ("(none)", 1),
        ("C-1", 1),
        ("C-2", 1),
    ]


def test_an_unknown_grouping_is_refused() -> None:
    with pytest.raises(ValueError, match="'colour' is not one of job, job_type"):
        margin_report("colour")


def test_no_jobs_are_no_groups() -> None:
    assert margin_report("damage_type") == []


def sums(groups: list[GroupMargin]) -> dict[str, Decimal]:
    return {
        name: sum((getattr(group, name) for group in groups), Decimal(0)) for name in (*AMOUNTS, "margin")
    }


def test_export_margins_and_ledger_agree_to_the_last_digit() -> None:
    trade()
    use_more("U-1", "J-5", used(DISC, "7", "11"), used(PAD, "1", "13"))
    give_back("B-1", "2026-04-20", ("close", "close-J-4"), (COMPOUND, "0.3333"))
    correct("K-1", "close", "close-J-3")
    receive("R-2", "2026-03-28", (DISC, "33", "100"), (PAD, "3", "100"))
    rows = export()
    exported = {name: sum((Decimal(row[name]) for row in rows), Decimal(0)) for name in (*AMOUNTS, "margin")}
    for by in GROUPINGS:
        assert sums(margin_report(by)) == exported
        assert sums(margin_report(by, lifetime=True)) == exported
    parts = [
        margin_report("van", start, end)
        for start, end in (
            (None, date(2026, 3, 28)),
            (date(2026, 3, 29), date(2026, 3, 31)),
            (date(2026, 4, 1), None),
        )
    ]
    assert sums([group for part in parts for group in part]) == exported
    totals = cost_of_all()
    assert exported == {name: getattr(totals, name) for name in (*AMOUNTS, "margin")}
    reconciled = value_reconciliation.total(value_reconciliation.reconcile())
    assert reconciled.unexplained == 0
    assert exported["materials"] + wear_absorption().actual == reconciled.job_costs
    assert_costs_follow_facts()


@pytest.fixture
def late_receipts() -> Iterator[None]:
    yield
    assert_costs_follow_facts()


@pytest.mark.usefixtures("late_receipts")
def test_a_receipt_moves_margins_of_its_consumables_only() -> None:
    trade(20)
    before = naive_costs()
    lines = (ReceiptLine(COMPOUND, Decimal(1000), Decimal(999)),)
    ledger.post(Receipt("R-9", at("2026-01-02"), "SUP", "DEPOT", lines), now=NOW)
    after = naive_costs()
    for group in margin_report("job"):
        assert group.materials == after[group.label].materials > before[group.label].materials
        assert (group.wear, group.labour) == (before[group.label].wear, before[group.label].labour)
