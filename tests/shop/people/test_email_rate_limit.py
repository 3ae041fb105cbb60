"""Letters that anyone may ask for are few an hour, over all processes, and the answer tells nothing."""

from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone

from shop.models import LetterAsked, Person
from shop.people import onboarding_views
from shop.people.email_rate_limit import MOST_FROM_ONE, MOST_TO_ONE, refused_until
from tests.shop.api.served_shop import open_served_shop, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

NOW = timezone.now()


def ask(to: str = "ann@example.org", client: str | None = "203.0.113.7", minutes: float = 0) -> Any:
    """Ask for a letter so many minutes from now on."""
    return refused_until("reset", to, client, NOW + timedelta(minutes=minutes))


def test_one_address_gets_a_few_letters_an_hour_from_wherever_they_are_asked_for() -> None:
    assert [ask(client=f"203.0.113.{n}", minutes=n) for n in range(MOST_TO_ONE)] == [None] * MOST_TO_ONE
    # Until the first of them is an hour old, however it is written.
    assert ask("ANN@example.org", "198.51.100.1", 10) == NOW + timedelta(hours=1)
    assert ask("bea@example.org", "198.51.100.1", 10) is None
    assert ask(minutes=60.1) is None
    assert ask(minutes=60.2) == NOW + timedelta(minutes=61)


def test_one_client_gets_a_number_of_letters_sent_an_hour() -> None:
    assert [ask(f"p{n}@example.org") for n in range(MOST_FROM_ONE)] == [None] * MOST_FROM_ONE
    assert ask("new@example.org") == NOW + timedelta(hours=1)
    assert ask("new@example.org", "203.0.113.8") is None
    assert refused_until("invitation", "new@example.org", "203.0.113.7", NOW) is None


def test_addresses_of_one_ipv6_line_are_one_client() -> None:
    for n in range(MOST_FROM_ONE):
        ask(f"p{n}@example.org", f"2001:db8:1:2::{n:x}")
    assert ask("new@example.org", "2001:db8:1:2:ffff::1") is not None
    assert ask("new@example.org", "2001:db8:1:3::1") is None


def test_what_is_refused_does_not_count_and_nothing_is_kept_longer_than_it_counts() -> None:
    for _ in range(10):
        ask()
    assert LetterAsked.objects.count() == 2 * MOST_TO_ONE
    ask("bea@example.org", minutes=61)
    assert LetterAsked.objects.count() == 2
    assert not [row for row in LetterAsked.objects.all() if "example" in row.key or "203." in row.key]


def test_asking_too_often_is_answered_the_same_whether_or_not_somebody_has_the_address(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(onboarding_views, "send_beside", onboarding_views.send)
    open_served_shop()
    ann = Person.objects.get(username="ann")
    ann.email = "ann@example.org"
    ann.set_password("a long sentence of ann")
    ann.save()
    answers: list[list[tuple[int, str]]] = []
    for email in ("ann@example.org", "nobody@example.org"):
        answers.append([])
        for _ in range(MOST_TO_ONE + 1):
            answer = Client().post("/people/forgotten/", {"email": email})
            said = answer.content.decode().split("</form>")[0].replace(email, "")
            answers[-1].append((answer.status_code, said.split('csrfmiddlewaretoken" value="')[0]))
        assert 3500 < int(answer["Retry-After"]) <= 3601
        assert "try again at" in answer.content.decode()
    assert answers[0] == answers[1]
    assert [status for status, _ in answers[0]] == [302] * MOST_TO_ONE + [429]
    assert len(mail.outbox) == MOST_TO_ONE


def test_what_is_no_address_does_not_count() -> None:
    for _ in range(MOST_FROM_ONE + 1):
        assert Client().post("/people/forgotten/", {"email": "no address"}).status_code == 200
    assert not LetterAsked.objects.exists()


def test_an_invitation_is_sent_again_a_few_times_an_hour() -> None:
    open_served_shop()
    olga = signed_in("olga")
    nina = {"username": "nina", "email": "nina@example.org", "role": "accountant"}
    olga.post("/people/add/", nina)
    page = f"/people/{Person.objects.get(username='nina').pk}/"
    for _ in range(MOST_TO_ONE):
        answer = olga.post(f"{page}link/", follow=True)
    assert len(mail.outbox) == MOST_TO_ONE
    before = Person.objects.get(username="nina").invited_at
    answer = olga.post(f"{page}link/", follow=True)
    assert f"{MOST_TO_ONE} links were sent" in answer.content.decode()
    # The link that was sent last still works.
    assert Person.objects.get(username="nina").invited_at == before
