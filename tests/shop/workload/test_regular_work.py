"""Where history opens: with regular work, however slow its start, and not with one job of a wrong date."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.close_review.rules import LONG_BEFORE, Check, check_day
from shop.models import Finding, Job
from shop.workload.job_counts import regular_work_from
from shop.workload.regular_work import PAUSE_WEEKS, REGULAR_WEEKS, opening
from tests.shop.csv_import import Imports
from tests.shop.desk_pages import said, send
from tests.shop.world import DISC, NOW, close, correct, open_shop, receive, used

WEEKLY = range(1000, 1060)


def test_work_of_every_week_opens_with_its_first() -> None:
    assert opening(WEEKLY) == 1000
    assert opening([]) is None
    assert opening([7]) == 7


@pytest.mark.parametrize("early", [[0], [0, 1], [0, 500], [0, 500, 980], [985, 986]])
def test_what_stands_alone_long_before_does_not_open_the_history(early: list[int]) -> None:
    assert opening([*early, *WEEKLY]) == 1000


@pytest.mark.parametrize("every", [1, 4, 8, PAUSE_WEEKS])
def test_a_slow_start_opens_the_history(every: int) -> None:
    slow = range(1000 - 6 * every, 1000, every)
    assert opening([*slow, *WEEKLY]) == slow[0]


def test_a_shop_that_paused_keeps_the_work_before() -> None:
    assert opening([*range(100, 130), *range(200, 230)]) == 100


def test_a_shop_that_has_just_begun_opens_with_its_latest_work() -> None:
    assert opening([0, 1000, 1001]) == 1000
    assert opening([0, 1000]) == 1000


@given(st.sets(st.integers(0, 400), min_size=1), st.integers(0, 1000))
def test_the_opening_is_a_week_with_work_whatever_the_numbering(worked: set[int], shift: int) -> None:
    week = opening(worked)
    assert week in worked
    assert opening({number + shift for number in worked}) == week + shift


@given(st.sets(st.integers(0, 200), min_size=REGULAR_WEEKS), st.integers(PAUSE_WEEKS + 1, 2000))
def test_one_week_alone_before_all_changes_nothing_where_work_was_regular(worked: set[int], gap: int) -> None:
    first = opening(worked)
    regular = [week for week in worked if first is not None and first <= week <= first + PAUSE_WEEKS]
    if first == min(worked) and len(regular) >= REGULAR_WEEKS:
        assert opening({*worked, min(worked) - gap}) == first


@pytest.mark.parametrize(
    ("days", "asks"), [(LONG_BEFORE.days, False), (LONG_BEFORE.days + 1, True), (-400, False)]
)
def test_a_day_long_before_other_work_is_asked_about(days: int, asks: bool) -> None:
    other = date(2026, 11, 20)
    found = list(check_day(other - timedelta(days=days), other, "the latest close of another job, on"))
    assert bool(found) is asks
    if found:
        assert found[0].code == Check.CLOSED_LONG_BEFORE
        assert f"{other - timedelta(days=days)}" in found[0].message
        assert "on 2026-11-20. Is the date right" in found[0].message


# In the books

LATE = ["2026-10-05", "2026-10-12", "2026-10-19", "2026-10-26"]


def questions(job: str) -> list[str]:
    """Return what is asked about a job."""
    return list(Finding.objects.filter(job__reference=job).values_list("code", flat=True))


@pytest.fixture
def working_shop(db: None) -> None:
    """Let a shop work for some weeks."""
    open_shop()
    receive("R-1", "2026-10-01", (DISC, "100", "250"))
    for number, day in enumerate(LATE):
        close(f"J-{number}", day, used(DISC, "2"))


@pytest.mark.usefixtures("working_shop")
def test_a_single_close_of_another_year_is_kept_asked_about_and_opens_no_history() -> None:
    answer = close("J-old", "2001-03-02", used(DISC, "2"))
    assert answer.posting.created
    assert "closed on 2001-03-02, long before" in answer.findings[0]
    assert questions("J-old") == [Check.CLOSED_LONG_BEFORE]
    assert regular_work_from(NOW) == date(2026, 10, 5)
    assert not any(questions(f"J-{number}") for number in range(len(LATE)))
    # A phone that comes late is not asked.
    close("J-late", "2026-09-07", used(DISC, "2"))
    assert questions("J-late") == []
    assert regular_work_from(NOW) == date(2026, 9, 7)
    # The next one is held against the latest close, not against the odd one.
    close("J-older", "2002-03-02", used(DISC, "2"))
    assert questions("J-older") == [Check.CLOSED_LONG_BEFORE]


@pytest.mark.usefixtures("working_shop")
def test_an_undone_close_is_no_work_and_the_first_close_of_a_shop_is_not_asked_about() -> None:
    for number in range(len(LATE)):
        correct(f"K-{number}", "close", f"close-J-{number}")
    assert regular_work_from(NOW) is None
    close("J-9", "2026-03-02", used(DISC, "2"))
    assert questions("J-9") == []


def job_rows(days: list[str]) -> list[str]:
    """Return rows of a file of jobs on these days."""
    return [
        f"I-{number},VAN-1,ann,{day},polish,scratch,tempered,,100,60,0,removed,"
        for number, day in enumerate(days)
    ]


@pytest.mark.django_db
def test_an_import_asks_about_what_stands_alone_and_not_about_years_of_work(
    tmp_path: object, capsys: object
) -> None:
    open_shop()
    years = [f"{date(2023, 1, 2) + timedelta(weeks=week)}" for week in range(150)]
    imported = Imports(tmp_path, capsys)  # type: ignore[arg-type]
    printed = imported("jobs", *job_rows(["2001-03-02", *years]))
    assert questions("I-0") == [Check.CLOSED_LONG_BEFORE]
    assert Finding.objects.count() == 1
    assert "regular work began, in the week of 2023-01-02" in Finding.objects.get().message
    assert "1 question about these jobs to answer" in printed
    assert Job.objects.filter(status="closed").count() == 151


@pytest.mark.usefixtures("working_shop")
def test_the_desk_asks_about_a_day_long_before_the_latest_job_and_posts_once_that_is_sure() -> None:
    form = {
        "id": "S-1",
        "place": "DEPOT",
        "reason": "dried out",
        "line-TOTAL_FORMS": "1",
        "line-INITIAL_FORMS": "0",
        "line-0-consumable": DISC,
        "line-0-quantity": "1",
    }
    asked = send("/store/scrap/", **form, occurred_at="2016-10-05T10:00")
    assert "dated 2016-10-05, long before the latest closed job on 2026-10-26" in said(asked)
    assert "long before" not in said(send("/store/scrap/", **form, occurred_at="2026-10-20T10:00"))
