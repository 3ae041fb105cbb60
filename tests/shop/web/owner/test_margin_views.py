"""The owner's margins: each level adds up to the one above it, down to the movements."""

from datetime import date, timedelta
from decimal import Decimal
from itertools import product
from urllib.parse import urlencode

import pytest
from django.db.models import Max

from inventory.models import Books, CostAdjustment, Movement
from shop.costing.formulas import NO_COSTS, JobCosts
from shop.costing.posted_costs import posted_costs
from shop.models import Customer, Job, JobCost, Role, Shop, Site
from shop.profitability.margins import GROUPINGS, NO_LABEL, in_group, margin_report, margins_of
from shop.profitability.period_comparison import moves
from shop.profitability.ratio_difference import RatioChange
from shop.web.owner.job_drilldown import posted_to, total_of
from shop.web.owner.job_totals import SORTS, jobs_with_costs, sums_of
from shop.web.owner.job_totals import total_of as total_of_jobs
from shop.web.owner.margin_views import change_cell
from tests.shop.desk_pages import Desk, client, desk
from tests.shop.test_query_counts import queries
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    PAD,
    book,
    charge_overhead,
    close,
    correct,
    give_back,
    lock,
    open_shop,
    pay,
    receive,
    run,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db
MONTHS = ((None, None), (date(2026, 3, 1), date(2026, 3, 31)), (date(2026, 4, 1), date(2026, 4, 30)))


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    """Start with jobs of two months: callbacks, a return, further uses, a late correction and cost."""
    open_shop()
    pay("60")
    charge_overhead("3000", "9000", "0.4")
    receive("R-1", "2026-03-01", (DISC, "20", "50"), (COMPOUND, "1000", "80"), (PAD, "4", "60"))
    close("J-1", "2026-03-02", used(DISC, "3", "20"), used(PAD, "1", "25"), used(COMPOUND, "40"))
    close("J-2", "2026-03-05", used(FINE_DISC, "4", "30"), technician="bo", damage_type="scuff")
    close("J-3", "2026-03-09", used(DISC, "2"), job_type="regrind", price=Decimal(30))
    close("J-4", "2026-03-12", used(DISC, "1"), callback_of="J-1", price=Decimal(0), damage_type="acid etch")
    use_more("U-1", "J-2", used(COMPOUND, "25"))
    give_back("B-1", "2026-03-06", ("close", "close-J-1"), (DISC, "1"))
    close("J-5", "2026-03-20", used(DISC, "2"), damage_type="scuff")
    lock("2026-04-01")
    correct("K-5", "close", "close-J-5")
    receive("R-2", "2026-04-02", (FINE_DISC, "10", "33"))
    close("J-6", "2026-04-03", used(DISC, "3"), used(FINE_DISC, "2"), technician="bo", glass="laminated")
    site = Site.objects.create(customer=Customer.objects.create(code="C-1", name="Quay"), name="Hall")
    Job.objects.filter(reference__in=("J-1", "J-2")).update(site=site)


def sums(rows: list[JobCosts]) -> JobCosts:
    return sum(rows, NO_COSTS)


@pytest.mark.parametrize("period", MONTHS)
def test_the_jobs_of_a_group_add_up_to_the_group(period: tuple[date | None, date | None]) -> None:
    everything = total_of_jobs(jobs_with_costs(posted_costs(*period)))[1]
    for by, lifetime in product(GROUPINGS, (False, True)):
        found = margins_of(by, *period, lifetime=lifetime)
        groups = list(found.sums())
        assert groups
        for label, jobs, costs in groups:
            rows = jobs_with_costs(in_group(posted_costs(*period), by, label, lifetime=lifetime))
            each = sums_of(list(rows))
            assert sums([job.costs for job in each]) == costs
            assert total_of_jobs(rows) == (len(each), costs)
            assert sum(row["counted"] for row in rows) == jobs
        assert everything == sums([costs for _, _, costs in groups])
        assert found.total().margin == everything.margin
        assert found.total().jobs == sum(jobs for _, jobs, _ in groups)


def test_documents_add_up_to_their_job_and_movements_to_their_document() -> None:
    for job in Job.objects.all():
        posted = posted_to(job)
        stored = [JobCosts(*(getattr(cost, name) for name in JobCosts.__slots__)) for cost in job.costs.all()]
        assert total_of(posted) == sums(stored)
        assert all(each.adds_up for each in posted)
    moved = [moved for job in Job.objects.all() for each in posted_to(job) for moved in each.moved]
    assert len(moved) == Movement.objects.filter(document__job_cost__isnull=False).count()
    assert any(each.provisional for each in moved)
    settled = sum(each.settled for each in moved)
    assert settled == sum(adjustment.amount for adjustment in CostAdjustment.objects.all())
    assert settled != 0


def test_a_document_whose_movements_make_another_amount_is_shown_as_broken() -> None:
    job = Job.objects.get(reference="J-1")
    assert "Does not add up" not in desk(f"/owner/jobs/{job.pk}/").text
    JobCost.objects.filter(job=job, jobs=1).update(materials=Decimal("1.23"))
    assert "Does not add up" in desk(f"/owner/jobs/{job.pk}/").text


def amount(text: str) -> Decimal:
    return Decimal(text.replace(",", "").replace("\N{MINUS SIGN}", "-"))


def test_the_margin_page_shows_groups_and_their_total() -> None:
    page = desk("/owner/margins/?period=all+time")
    report = {group.label: group for group in margin_report("damage_type")}
    for label, group in report.items():
        row = page.row(label)
        assert row["Jobs"] == str(group.jobs)
        assert amount(row["Revenue"]) == round(group.revenue, 2)
        assert amount(row["Margin"]) == round(group.margin, 2)
        assert group.note
        assert group.note in row["Ratio"]
    assert amount(page.row("All")["Margin"]) == round(sum(group.margin for group in report.values()), 2)
    assert page.row("All")["Jobs"] == "5"


def test_amounts_have_the_digits_of_the_currency() -> None:
    run("set_shop", "--name", "Quay")
    Books.objects.update(minor_unit_digits=0)
    assert "." not in desk("/owner/margins/?period=all+time").row("All")["Margin"]


def test_from_a_group_to_its_jobs_to_a_job() -> None:
    page = desk("/owner/margins/?start=2026-03-01&end=2026-03-31")
    jobs = desk(page.href("group=scuff"))
    assert "2026-03-01 to 2026-03-31" in jobs.captions[0]
    assert [row["Job"].split()[0] for row in jobs.tables[0]] == ["J-5", "J-2", "All"]
    for column in ("Revenue", "Materials", "Margin"):
        assert jobs.row("All")[column] == page.row("scuff")[column]
    job = desk(jobs.href(f"/owner/jobs/{Job.objects.get(reference='J-5').pk}/"))
    assert "not in 2026-03-01 to 2026-03-31" in job.row("correction K-5")["Document"]
    assert job.row("Of these in 2026-03-01")["Revenue"] == "200.00"
    assert job.row("The whole job")["Revenue"] == "0.00"


def test_a_lifetime_group_lists_the_callbacks_it_bears() -> None:
    page = desk("/owner/margins/?period=all+time&lifetime=on")
    assert not any(next(iter(row.values())) == "acid etch" for row in page.tables[0])
    jobs = desk(page.href("group=scratch"))
    assert "J-4" in jobs.row("J-4")["Job"]
    assert "callback of J-1" in jobs.row("J-4")["Job"]
    assert jobs.row("All")["Margin"] == page.row("scratch")["Margin"]


def test_jobs_without_a_customer_are_a_group_too() -> None:
    page = desk("/owner/margins/?period=all+time&by=customer")
    jobs = desk(page.href("none"))
    assert jobs.row("All")["Margin"] == page.row("none given")["Margin"]
    assert NO_LABEL not in jobs.text


def test_jobs_come_in_the_order_asked_for() -> None:
    for sort in SORTS:
        check_order(sort)


def check_order(sort: str) -> None:
    rows = jobs_with_costs(JobCost.objects.all(), sort=sort)
    found = [
        {
            "closed": row["closed"],
            "margin": each.costs.margin,
            "revenue": each.costs.revenue,
            "costs": each.costs.revenue - each.costs.margin,
            "reference": each.job.reference,
        }[sort.removeprefix("-")]
        for row, each in zip(rows, sums_of(list(rows)), strict=True)
    ]
    assert len(found) == 5
    assert found == sorted(found, reverse=sort.startswith("-"))


def test_jobs_are_found_by_reference_and_by_loss() -> None:
    assert [job["Job"].split()[0] for job in desk("/owner/jobs/?period=all+time&q=j-3").tables[0]] == [
        "J-3",
        "All",
    ]
    losing = desk("/owner/jobs/?period=all+time&losing=on&sort=margin").tables[0]
    assert [row["Job"].split()[0] for row in losing] == ["J-4", "J-3", "All"]
    assert all(amount(row["Margin"]) < 0 for row in losing)


def test_nothing_closed_and_nothing_that_fits_are_said() -> None:
    assert (
        "No job posted anything in this period."
        in desk("/owner/margins/?start=2020-01-01&end=2020-02-01").text
    )
    assert "No job with postings matches." in desk("/owner/jobs/?q=nowhere").text
    assert "No job posted anything in either" in desk("/owner/changes/?start=2020-01-01&end=2020-02-01").text
    booked = book("J-new")
    assert "it has not been closed yet" in desk(f"/owner/jobs/{booked.pk}/").text


def test_lengths_show_in_the_shops_unit() -> None:
    job = Job.objects.get(reference="J-1")
    Job.objects.update(length_mm=Decimal("127"))
    assert "127 mm" in desk(f"/owner/jobs/{job.pk}/").text
    Shop.objects.update(length_unit="in")
    assert "5.00 in" in desk(f"/owner/jobs/{job.pk}/").text


@pytest.mark.parametrize(
    ("query", "problem"),
    [
        ("start=2026-04-01&end=2026-03-01", "is before the first"),
        ("start=yesterday&end=", "Enter a valid date."),
        ("start=0001-01-01&end=", "outside the years 2000 to 2100"),
        ("by=weather", "is not one of the available choices"),
    ],
)
def test_a_query_that_makes_no_sense_is_told_so_and_shows_the_usual(query: str, problem: str) -> None:
    assert problem in desk(f"/owner/margins/?{query}").text


@pytest.mark.parametrize("query", ["by=month&group=soon", "by=month&group=2026-13", "by=month&group=0000-01"])
def test_a_group_that_cannot_be_is_not_found(query: str) -> None:
    assert client().get(f"/owner/jobs/?{query}").status_code == 404


def test_what_moved_is_exact_in_money_and_names_what_came_and_went() -> None:
    query = urlencode({"start": "2026-04-01", "end": "2026-04-30", "by": "technician"})
    page = desk(f"/owner/changes/?{query}")
    march = {group.label: group for group in margin_report("technician", *MONTHS[1])}
    april = {group.label: group for group in margin_report("technician", *MONTHS[2])}
    assert {row["Technician"] for row in page.tables[0]} == {*march, *april, "All"}
    for row in page.tables[0][:-1]:
        now, before = april.get(row["Technician"]), march.get(row["Technician"])
        change = (now.margin if now else 0) - (before.margin if before else 0)
        assert amount(row["Change"]) == round(Decimal(change), 2)
        assert abs(
            amount(row["From revenue"]) + amount(row["From costs"]) - amount(row["Change"])
        ) <= Decimal("0.01")
    assert "too few jobs" in page.row("bo")["Change of the ratio"]
    found = moves(margins_of("technician", *MONTHS[2]), margins_of("technician", *MONTHS[1]))
    assert found.total().margin_change == sum(move.margin_change for move in found)
    assert found[-1] == list(found)[-1]


def test_a_period_before_the_first_job_is_said_to_say_little() -> None:
    first = JobCost.objects.order_by("posted_at")[0].posted_at
    assert f"{first:%Y-%m}" == "2026-03"
    said = f"The first job is of {first:%Y-%m-%d}, so the period before is not whole"
    assert said in desk("/owner/changes/?start=2026-01-01&end=2026-12-31").text
    assert said in desk("/owner/changes/?start=2026-03-01&end=2026-03-31").text
    assert "so the period before" not in desk("/owner/changes/?start=2026-04-01&end=2026-04-30").text
    # A week without jobs is no reason to doubt the month, eight days are.
    start = first.date() - timedelta(days=6)
    query = urlencode({"start": start + timedelta(days=30), "end": start + timedelta(days=59)})
    assert "so the period before" not in desk(f"/owner/changes/?{query}").text
    query = urlencode({"start": start + timedelta(days=29), "end": start + timedelta(days=58)})
    assert said in desk(f"/owner/changes/?{query}").text


def test_all_time_and_months_have_nothing_to_compare_with() -> None:
    assert "All time has no period before it" in desk("/owner/changes/?period=all+time").text
    assert "choose another grouping" in desk("/owner/changes/?by=month").text


def test_charts_are_drawn_for_both_themes_and_with_nothing_to_show() -> None:
    browser = client()
    queries_ = ("", "&theme=dark", "&narrow=1&theme=dark", "&start=2020-01-01&end=2020-01-02")
    for by, more in product(("damage_type", "month"), queries_):
        for chart in ("margins", "changes"):
            answer = browser.get(f"/owner/{chart}/chart.svg?by={by}&period=all+time{more}")
            assert answer.status_code == 200
            assert answer["Content-Type"] == "image/svg+xml"
            assert answer.content.rstrip().endswith(b"</svg>")
            assert ('width="285' if "narrow" in more else 'width="570') in answer.content.decode()


def test_a_chart_names_what_the_table_names() -> None:
    drawn = client().get("/owner/margins/chart.svg?period=all+time&by=damage_type").content.decode()
    assert "scuff" in drawn
    assert "acid etch" in drawn


def test_names_that_look_like_formulas_are_drawn_as_they_are() -> None:
    Customer.objects.update(code=r"$\frac$x_1$")
    assert client().get("/owner/margins/chart.svg?period=all+time&by=customer").status_code == 200


def test_the_accountant_reads_margins_and_a_technician_nothing() -> None:
    job = JobCost.objects.aggregate(pk=Max("job"))["pk"]
    for path in ("margins/", "changes/", "jobs/", f"jobs/{job}/"):
        assert client(Role.ACCOUNTANT).get(f"/owner/{path}").status_code == 200
        assert client(Role.TECHNICIAN).get(f"/owner/{path}").status_code == 403
        assert client(Role.STOREKEEPER).get(f"/owner/{path}").status_code == 403


def test_the_number_of_queries_does_not_depend_on_the_number_of_jobs() -> None:
    paths = (
        "/owner/margins/?period=all+time&by=customer",
        "/owner/jobs/?period=all+time",
        "/owner/changes/?start=2026-03-01&end=2026-03-31",
    )
    browser = client()
    job = f"/owner/jobs/{Job.objects.get(reference='J-1').pk}/"

    def counts() -> dict[str, int]:
        return {path: queries(lambda path=path: browser.get(path)) for path in (*paths, job)}  # type: ignore[misc]

    before = counts()
    for number in range(30):
        close(
            f"K-{number}",
            f"2026-04-{number % 28 + 1:02}",
            used(DISC, "1"),
            damage_type="graffiti" if number % 2 else "scuff",
        )
        use_more(f"UK-{number}", "J-1", used(DISC, "1"), used(PAD, "0", "5"))
    assert counts() == before
    assert max(before.values()) < 25


def test_a_page_of_jobs_says_where_the_rest_is() -> None:
    for number in range(60):
        close(f"K-{number:02}", "2026-04-03", used(DISC, "1"))
    first = desk("/owner/jobs/?period=all+time&sort=reference")
    second = desk("/owner/jobs/?period=all+time&sort=reference&page=2")
    names = [row["Job"].split()[0] for page in (first, second) for row in page.tables[0][:-1]]
    assert len(names) == len(set(names)) == 65
    assert names == sorted(names)
    assert "page=2" in first.href("page=2")
    assert first.row("All")["Margin"] == second.row("All")["Margin"]


def test_the_desk_is_read_as_a_table() -> None:
    page = Desk("<table><tr><th scope='col'>A</th></tr><tr><th>x</th></tr></table>")
    assert page.tables == [[{"A": "x"}]]


@pytest.mark.parametrize(
    ("change", "tags", "good"),
    [
        (RatioChange(-0.1, -0.2, -0.05), ("clearly worse",), ""),
        (RatioChange(0.1, 0.05, 0.2), (), "clearly better"),
        (RatioChange(0.1, -0.05, 0.2), (), ""),
        (RatioChange(None), (), ""),
    ],
)
def test_only_what_clearly_got_worse_asks_for_a_look(
    change: RatioChange, tags: tuple[str, ...], good: str
) -> None:
    cell = change_cell(change)
    assert (cell.tags, cell.good) == (tags, good)
