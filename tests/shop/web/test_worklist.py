"""What waits for a person on the first page: the shop's own matters, and those that others add."""

import re
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.ledger.period_lock import change_lock
from inventory.models import Consumable, RefusedDocument
from shop.accounting.count_variances import differing
from shop.accounting.period_close import lock_through, reopen_from
from shop.models import Finding, JobCost, Person, Role, WaitingUse
from shop.web import worklist
from shop.web.worklist import MOST, Matter, count_of, register, waiting_for
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in

pytestmark = pytest.mark.django_db

EMPTY = "Nothing waits for you."


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


def said_to(name: str) -> list[str]:
    """Return what a person is told."""
    return [str(matter) for matter in waiting_for(Person.objects.get(username=name)) or ()]


def first_page(name: str) -> str:
    """Return a person's first page."""
    page: str = signed_in(name).get("/").content.decode()
    return page


def ask(number: int) -> None:
    """Let so many questions be asked about a closed job."""
    if not JobCost.objects.exists():
        put("olga", "close", "C-1", close_body())
    row = JobCost.objects.get()
    Finding.objects.bulk_create(
        Finding(job=row.job, document=row.document, code="x", message=f"{n}?") for n in range(number)
    )


def count_van(quantity: int) -> None:
    """Count the discs on van-a, which holds 50 by the book."""
    line = {"place": "van-a", "consumable": "disc-p400", "quantity": quantity}
    put(
        "sue", "count", "N-1", {"occurred_at": datetime(2026, 3, 20, tzinfo=UTC).isoformat(), "lines": [line]}
    )


def test_where_nothing_waits_the_page_says_so_but_not_to_roles_that_nothing_waits_for() -> None:
    assert EMPTY in first_page("sue")
    assert EMPTY in first_page("olga")
    assert EMPTY in first_page("ada")
    # The page of a technician begins with the jobs of the day, which wait without being told.
    assert "waits for you" not in first_page("ann")


def test_questions_wait_for_the_owner_until_they_are_answered() -> None:
    ask(1)
    assert said_to("olga") == ["1 question about closed jobs to answer"]
    assert said_to("sue") == []
    page = first_page("olga")
    assert 'href="/owner/questions/"' in page
    Finding.objects.update(answered_at=datetime(2026, 3, 21, tzinfo=UTC), answer="That is right.")
    assert EMPTY in first_page("olga")


def test_differences_of_counts_wait_until_they_are_explained() -> None:
    count_van(47)
    assert said_to("sue") == said_to("olga") == ["1 count variance to explain"]
    client = signed_in("sue")
    assert 'href="/store/differences/"' in first_page("sue")
    (line,) = differing()
    client.post(f"/store/differences/{line.pk}/", {"cause": "used without being logged", "note": ""})
    assert EMPTY in first_page("sue")


def test_uses_from_files_wait_for_the_owner_until_a_job_has_taken_them() -> None:
    disc = Consumable.objects.get(code="disc-p400")
    WaitingUse.objects.create(
        job_reference="J-9", consumable=disc, position=1, quantity=Decimal(3), recorded_at=timezone.now()
    )
    assert said_to("olga") == ["1 use from files waiting for a job"]
    assert "/waitinguse/" in first_page("olga")
    assert said_to("sue") == []


def test_late_documents_wait_for_the_accountant_until_the_period_they_count_in_is_locked() -> None:
    put("olga", "close", "C-1", close_body())
    assert said_to("ada") == []
    lock_through(date(2026, 3, 31), "March", by="", now=timezone.now())
    # What was in time for a period that was locked since is not late, nor what happens after the lock.
    put("olga", "close", "C-2", close_body(job="J-2", closed_at="2026-04-20T12:00:00+00:00"))
    assert said_to("ada") == []
    for number in (3, 4):
        put("olga", "close", f"C-{number}", close_body(job=f"J-{number}"))
    assert said_to("ada") == [
        "2 late documents to look at: their day was locked, so they count from 2026-04-01 on"
    ]
    assert said_to("olga") == said_to("sue") == []
    (matter,) = waiting_for(Person.objects.get(username="ada")) or []
    assert matter.link in first_page("ada")
    assert listed(matter.link) == {"close C-3", "close C-4"}
    # The list opens on what waits, and the months before are there to be chosen.
    assert listed(reverse("accounts:late")) == {"close C-3", "close C-4"}
    assert listed(f"{reverse('accounts:late')}?start=2026-03-01&end=2026-03-31") == set()
    lock_through(date(2026, 4, 30), "April", by="", now=timezone.now())
    assert said_to("ada") == []
    assert EMPTY in first_page("ada")
    assert listed(f"{reverse('accounts:late')}?start=2026-04-01&end=2026-04-30") == {"close C-3", "close C-4"}


def test_what_is_late_stays_listed_where_it_counts_when_its_day_is_reopened() -> None:
    lock_through(date(2026, 3, 31), "March", by="", now=timezone.now())
    put("olga", "close", "C-1", close_body())
    reopen_from(date(2026, 3, 1), "a mistake", by="", now=timezone.now())
    (said,) = said_to("ada")
    assert said.startswith("1 late document to look at")
    assert listed("/accounts/late/") == {"close C-1"}
    change_lock(None, reason="all of it", by="", now=timezone.now())
    assert said_to("ada") == []


def test_refused_documents_wait_for_whoever_settles_them() -> None:
    RefusedDocument.objects.create(kind="close", client_id="C-1", content={}, refused_at=timezone.now())
    assert said_to("ada") == said_to("olga") == ["1 refused document to compare and settle"]
    assert said_to("sue") == []
    assert 'href="/accounts/refused/"' in first_page("ada")
    RefusedDocument.objects.update(resolved_at=timezone.now())
    assert EMPTY in first_page("ada")


def listed(link: str) -> set[str]:
    """Return the documents that a list names, as its reader sees it."""
    page = signed_in("ada").get(link)
    assert page.status_code == 200
    return set(re.findall(r"close C-\d", page.content.decode()))


def test_a_count_that_agrees_waits_for_nobody() -> None:
    count_van(50)
    assert said_to("sue") == []


def test_another_area_adds_what_waits_there_for_some_roles(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worklist, "_sources", dict(worklist._sources))
    count_van(47)
    for _ in range(2):  # registering it again changes nothing
        register(
            "boats",
            lambda person: [
                Matter(0, "boat", "to paint", "/paint/"),
                Matter(2, "boat", f"of {person} sank", "/sank/", urgent=True),
            ],
            Role.STOREKEEPER,
        )
    # What is urgent comes first, what is nothing not at all.
    assert said_to("sue") == ["2 boats of sue sank", "1 count variance to explain"]
    assert said_to("olga") == ["1 count variance to explain"]
    page = first_page("sue")
    assert page.index("2 boats of sue sank") < page.index("to explain")
    assert "look now" in page


def test_what_is_very_much_is_not_counted_to_its_end() -> None:
    ask(MOST + 5)
    assert count_of(Finding.objects.all()) == MOST
    assert said_to("olga") == ["1,000 questions or more about closed jobs to answer"]
    Finding.objects.filter(pk__in=list(Finding.objects.values_list("pk", flat=True)[:10])).delete()
    assert said_to("olga") == ["995 questions about closed jobs to answer"]
