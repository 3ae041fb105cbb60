"""Questions and their answers, dated rates, and the everyday settings."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.contrib.admin.models import LogEntry

from inventory.models import CostPolicy
from shop.close_review.answer_questions import LONGEST_ANSWER
from shop.common.pagination import ROWS_PER_PAGE
from shop.models import BEGINNING, Finding, JobCost, LabourRate, OverheadRate, Role, Shop, Technician
from tests.shop.desk_pages import client, desk, said, send
from tests.shop.test_query_counts import queries
from tests.shop.world import (
    DISC,
    amounts,
    assert_costs_follow_facts,
    charge_overhead,
    close,
    correct,
    cost_of,
    lock,
    open_shop,
    pay,
    receive,
    used,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    receive("R-1", "2026-03-01", (DISC, "100", "250"))


def odd(job: str, **changes: object) -> Finding:
    """Close a job whose minutes exceed what its discs can do, and return the question."""
    close(job, "2026-03-02", used(DISC, "1", "55"), **changes)
    return Finding.objects.filter(job__reference=job).latest("pk")


def test_an_answer_is_kept_with_whom_and_when() -> None:
    finding = odd("J-1")
    page = desk("/owner/questions/")
    assert finding.message in page.text
    answer = send(
        f"/owner/questions/{finding.pk}/", text=" Used old discs. ", back="/owner/questions/?show=all"
    )
    assert answer.redirect_chain == [("/owner/questions/?show=all", 302)]
    finding.refresh_from_db()
    assert (finding.answer, finding.answered_by) == ("Used old discs.", "the-owner")
    assert finding.answered_at is not None
    assert finding.message not in desk("/owner/questions/").text
    assert "Used old discs." in desk("/owner/questions/?show=answered").text
    assert "Used old discs." in desk(f"/owner/jobs/{finding.job_id}/").text


def test_it_was_so_answers_at_one_tap() -> None:
    finding = odd("J-1")
    send(f"/owner/questions/{finding.pk}/", so="1", text="")
    finding.refresh_from_db()
    assert finding.answer == "That is right."


@pytest.mark.parametrize(
    ("text", "problem"),
    [(" ", "Say what was found out"), ("x" * (LONGEST_ANSWER + 1), "at most 300")],
)
def test_an_answer_that_cannot_be_kept_says_why_and_keeps_what_was_typed(text: str, problem: str) -> None:
    finding = odd("J-1")
    answer = send(f"/owner/questions/{finding.pk}/", text=text)
    assert answer.status_code == 400
    assert problem in said(answer)
    finding.refresh_from_db()
    assert finding.answered_at is None


def test_another_answer_takes_the_place_of_the_first() -> None:
    finding = odd("J-1")
    for text in ("One.", "Two."):
        send(f"/owner/questions/{finding.pk}/", text=text)
    finding.refresh_from_db()
    assert finding.answer == "Two."


def test_questions_of_what_was_undone_are_not_asked() -> None:
    finding = odd("J-1")
    correct("K-1", "close", "close-J-1")
    assert "No question matches" in desk("/owner/questions/?show=all").text
    assert client().get(f"/owner/questions/{finding.pk}/").status_code == 404
    assert client().post(f"/owner/questions/{finding.pk}/", {"text": "late"}).status_code == 404


def test_an_answer_never_leads_away_from_the_site() -> None:
    finding = odd("J-1")
    answer = client().post(f"/owner/questions/{finding.pk}/", {"so": "1", "back": "https://example.org/"})
    assert answer.headers["Location"] == "/owner/questions/"


def test_questions_are_narrowed_by_technician_kind_and_job() -> None:
    for job, technician in (("J-1", "ann"), ("J-2", "bo")):
        odd(job, technician=technician)
    assert "J-2" not in desk("/owner/questions/?technician=ann").text
    assert "J-1" not in desk("/owner/questions/?q=j-2").text
    assert "No question matches" in desk("/owner/questions/?code=ten+times+usual").text
    assert "J-1" in desk("/owner/questions/?technician=nobody").text
    assert "not one of the available choices" in desk("/owner/questions/?technician=nobody").text


def test_many_questions_are_pages_of_the_same_number_of_queries() -> None:
    odd("J-0")
    browser = client()
    before = queries(lambda: browser.get("/owner/questions/"))
    for number in range(1, 60):
        odd(f"J-{number}")
    assert queries(lambda: browser.get("/owner/questions/")) == before
    first, second = desk("/owner/questions/"), desk("/owner/questions/?page=2")
    assert "Page 1 of 2" in first.text
    assert "J-0" in second.text


def test_a_labour_rate_costs_the_jobs_of_its_days_again_once_that_is_confirmed() -> None:
    pay("60")
    close("J-1", "2026-03-02", used(DISC, "1"))
    close("J-2", "2026-04-02", used(DISC, "1"))
    fields = {"per_hour": "90", "effective_from": "2026-04-01", "technician": ""}
    asked = send("/owner/rates/labour/", **fields)
    assert "1 job closed from 2026-04-01 on will be costed again" in said(asked)
    assert LabourRate.objects.count() == 1
    done = send("/owner/rates/labour/", **fields, sure="on")
    assert "Jobs costed again: 1" in said(done)
    assert amounts(cost_of("J-1").labour, cost_of("J-2").labour) == (60, 90)
    assert_costs_follow_facts()
    assert LogEntry.objects.get().user.username == "the-owner"
    page = desk("/owner/rates/")
    assert [row["Until"] for row in page.tables[0]] == ["further on", "before 2026-04-01"]
    assert page.tables[0][1]["From"] == "the beginning"


def test_a_rate_of_one_technician_asks_about_their_jobs_only() -> None:
    close("J-1", "2026-03-02", used(DISC, "1"), technician="bo")
    done = send("/owner/rates/labour/", per_hour="90", effective_from="2026-03-01", technician="ann")
    assert "Jobs costed again: 0" in said(done)
    assert "their time costs nothing: bo" in said(done)


def test_a_rate_of_the_same_day_asks_before_it_replaces_the_other() -> None:
    pay("60", date(2026, 11, 1))
    asked = send("/owner/rates/labour/", per_hour="70", effective_from="2026-11-01", technician="")
    assert "This replaces the rate that starts on 2026-11-01" in said(asked)
    send("/owner/rates/labour/", per_hour="70", effective_from="2026-11-01", technician="", sure="on")
    assert LabourRate.objects.get().per_hour == 70


def test_a_rate_that_a_later_one_ends_is_warned_of() -> None:
    pay("80", date(2027, 1, 1))
    done = send("/owner/rates/labour/", per_hour="70", effective_from="2026-11-01", technician="")
    assert "from 2027-01-01 on another labour rate of 80 is in force" in said(done)
    assert "to come" in desk("/owner/rates/").tables[0][0]["From"]


def test_rates_have_pages_latest_first_and_the_first_of_a_page_ends_where_the_last_before_starts() -> None:
    first = date(2100, 1, 1)
    pay("50")
    for number in range(ROWS_PER_PAGE + 1):
        pay("60", first + timedelta(days=number), technician="ann")
        charge_overhead("3000", "9000", from_=first + timedelta(days=number))
    for number, (table, left) in enumerate({"labour": 2, "overhead": 1}.items()):
        shown, further = (desk(f"/owner/rates/?{table}={page}").tables[number] for page in (1, 2))
        assert (len(shown), len(further)) == (ROWS_PER_PAGE, left)
        assert f"{further[0]['Until']} to come" == f"before {shown[-1]['From']}"
        assert shown[0]["Until"] == "further on"


def test_rates_of_one_technician() -> None:
    pay("50")
    pay("60", date(2026, 1, 1), technician="ann")
    pay("70", date(2026, 2, 1), technician="bo")
    assert [row["Whose"] for row in desk("/owner/rates/?technician=bo").tables[0]] == ["bo"]
    assert len(desk("/owner/rates/?technician=nobody").tables[0]) == 3
    Technician.objects.create(code="cleo")
    assert "cleo has no labour rate of their own" in desk("/owner/rates/?technician=cleo").text


def test_technicians_whose_time_costs_nothing_are_named_until_there_are_many() -> None:
    Technician.objects.bulk_create(Technician(code=f"t-{number:02}") for number in range(30))
    assert "nothing: ann, bo, t-00, " in desk("/owner/rates/").text
    assert "t-17 and 12 more." in desk("/owner/rates/").text


@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        ({"per_hour": "-1"}, "greater than or equal to 0"),
        ({"per_hour": "1e9"}, "less than or equal to 100000"),
        ({"per_hour": "1.23456"}, "no more than 4 decimal places"),
        ({"per_hour": "NaN"}, "Enter a number."),
        ({"per_hour": ""}, "This field is required."),
        ({"effective_from": "2026-03-31"}, "2026-03-31 is locked; the first open day is 2026-04-01"),
        ({"effective_from": "never"}, "Enter a valid date."),
        ({"technician": "nobody"}, "not one of the available choices"),
    ],
)
def test_a_bad_labour_rate_is_refused_with_the_reason(fields: dict[str, str], problem: str) -> None:
    lock("2026-04-01")
    given = {"per_hour": "70", "effective_from": "2026-04-01", "technician": "", **fields}
    answer = send("/owner/rates/labour/", **given, sure="on")
    assert answer.status_code == 400
    assert problem in said(answer)
    assert "The books are locked before 2026-04-01" in said(answer)
    assert not LabourRate.objects.exists()


@pytest.mark.parametrize(
    ("path", "given", "problem"),
    [
        (
            "/owner/rates/labour/",
            {"per_hour": "70", "effective_from": "2026-03-01", "technician": ""},
            "2026-03-01 is locked; the first open day is 2026-04-01: let the rate start then, or reopen",
        ),
        (
            "/owner/rates/labour/",
            {"per_hour": "-1", "effective_from": "2026-04-01", "technician": ""},
            "greater than or equal to 0",
        ),
        (
            "/owner/rates/overhead/",
            {"vehicle_per_minute": "1", "effective_from": "2026-03-01"},
            "2026-03-01 is locked",
        ),
        ("/owner/settings/", {"time_zone": "Europe/Lisbon"}, "stays UTC while a period is locked"),
        ("/owner/settings/", {"cost_method": "fifo", "name": "=1"}, "formula"),
    ],
)
def test_what_would_be_refused_is_refused_before_it_is_asked_about(
    path: str, given: dict[str, str], problem: str
) -> None:
    close("J-1", "2026-03-02", used(DISC, "1"))
    close("J-2", "2026-04-02", used(DISC, "1"))
    lock("2026-04-01")
    answer = send(path, **(settings_of(**given) if "settings" in path else given))
    assert answer.status_code == 400
    assert problem in said(answer)
    assert "Sure?" not in said(answer)


def test_overhead_keeps_what_is_left_empty_and_refuses_half_of_a_rate() -> None:
    answer = send("/owner/rates/overhead/", monthly_overhead="3000", effective_from="2026-03-01")
    assert "give the labour minutes the shop can practically do" in said(answer)
    assert "at least one of the three" in said(send("/owner/rates/overhead/", effective_from="2026-03-01"))
    charge_overhead("3000", "9000", "0.4")
    done = send("/owner/rates/overhead/", vehicle_per_minute="0.5", effective_from="2026-03-01")
    assert done.status_code == 200
    rate = OverheadRate.objects.get(effective_from=date(2026, 3, 1))
    assert (rate.monthly_overhead, rate.capacity_minutes, rate.vehicle_per_minute) == (
        3000,
        9000,
        Decimal("0.5"),
    )
    assert len(desk("/owner/rates/").tables[-1]) == 2


def settings_of(**changes: str) -> dict[str, str]:
    return {
        "name": "Our shop",
        "target_margin_percent": "30",
        "length_unit": "mm",
        "currency": "EUR",
        "time_zone": "UTC",
        "cost_method": "moving_average",
        **changes,
    }


def test_settings_are_shown_changed_and_noted() -> None:
    assert "millimetres" in desk("/owner/settings/").text
    # In plain digits: 3E+1 is a number to a browser, and nonsense to a person.
    assert 'name="target_margin_percent" value="30"' in client().get("/owner/settings/").content.decode()
    done = send(
        "/owner/settings/", **settings_of(name="Quay", target_margin_percent="27.5", length_unit="in")
    )
    assert "Changed: name Quay" in said(done)
    shop = Shop.objects.get()
    assert (shop.name, shop.target_margin_percent, shop.length_unit) == ("Quay", Decimal("27.5"), "in")
    assert "Quay" in LogEntry.objects.get().get_change_message()
    same = settings_of(name="Quay", target_margin_percent="27.5", length_unit="in")
    assert "Nothing was changed." in said(send("/owner/settings/", **same))


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"currency": "USD"}, "stays EUR once documents are posted"),
        ({"target_margin_percent": "101"}, "less than or equal to 100"),
        ({"time_zone": "Mars/Olympus"}, "is not a time zone"),
        ({"name": "=1+1"}, "formula"),
        ({"name": ""}, "This field is required."),
        ({"length_unit": "ell"}, "not one of the available"),
        ({"cost_method": "LIFO"}, "not one of the available"),
    ],
)
def test_a_bad_setting_is_refused_with_the_reason_and_nothing_changes(
    changes: dict[str, str], problem: str
) -> None:
    answer = send("/owner/settings/", **settings_of(**changes), sure="on")
    assert answer.status_code == 400
    assert problem in said(answer)
    shop = Shop.objects.get()
    assert (shop.name, shop.currency, shop.time_zone) == ("Our shop", "EUR", "UTC")


def test_another_cost_method_asks_first_and_then_values_stock_again() -> None:
    receive("R-2", "2026-03-02", (DISC, "100", "350"))
    close("J-1", "2026-03-03", used(DISC, "10"))
    before = cost_of("J-1").materials
    asked = send("/owner/settings/", **settings_of(cost_method="fifo"))
    assert "valued again" in said(asked)
    assert CostPolicy.objects.get().method == "moving_average"
    done = send("/owner/settings/", **settings_of(cost_method="fifo"), sure="on")
    assert "Documents revalued: 1" in said(done)
    assert amounts(before, cost_of("J-1").materials) == (30, 25)
    assert_costs_follow_facts()


def test_the_first_day_a_rate_may_start_is_offered() -> None:
    lock("2026-04-01")
    assert BEGINNING not in {rate.effective_from for rate in LabourRate.objects.all()}
    assert "a rate starts on that day or later" in desk("/owner/rates/labour/").text
    assert JobCost.objects.count() == 0


def test_only_the_owner_sees_or_sets_these() -> None:
    finding = odd("J-1")
    paths = (
        "questions/",
        f"questions/{finding.pk}/",
        "rates/",
        "rates/labour/",
        "rates/overhead/",
        "settings/",
    )
    for role in (Role.ACCOUNTANT, Role.STOREKEEPER, Role.TECHNICIAN):
        for path in paths:
            assert client(role).get(f"/owner/{path}").status_code == 403
            assert client(role).post(f"/owner/{path}", {"so": "1"}).status_code in (403, 405)
    assert not LogEntry.objects.exists()
