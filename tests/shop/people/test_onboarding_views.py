"""Joining by an e-mailed link, choosing a new password, and guessing at passwords."""

import re
from datetime import timedelta
from typing import Any

import pytest
from axes.models import AccessAttempt
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.test import Client, RequestFactory
from django.utils import timezone

from shop.models import Person, Technician
from shop.people import onboarding_views
from shop.people.login_throttle import MOST_WRONG_IN_ALL, address_of
from tests.shop.api.served_shop import open_served_shop, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

PASSWORD = "a long sentence of nina"  # noqa: S105
NINA = {
    "username": "nina",
    "first_name": "Nina",
    "last_name": "Aro",
    "email": "nina@example.org",
    "role": "technician",
}


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


def add(**changes: str) -> Any:
    """Add nina as the owner."""
    return signed_in("olga").post("/people/add/", {**NINA, **changes}, follow=True)


def link_of(letter: int = -1) -> str:
    """Return the path of the link in a letter."""
    found = re.search(r"https?://[^/]+(/people/\S+)", str(mail.outbox[letter].body))
    assert found
    return found[1]


def choose(link: str, password: str = PASSWORD) -> Any:
    """Follow a link and choose a password, in a browser of its own."""
    client = Client()
    client.get(link)
    page = re.sub(r"[^/]+/$", "choose-password/", link)
    return client.post(page, {"new_password1": password, "new_password2": password}, follow=True)


def can_sign_in(name: str = "nina", password: str = PASSWORD) -> bool:
    """Return whether a name and password open the door."""
    return Client().post("/sign-in/", {"username": name, "password": password}).status_code == 302


def test_a_person_joins_by_a_link_that_works_once() -> None:
    answer = add()
    assert "A link was sent to nina@example.org" in answer.content.decode()
    assert Technician.objects.get(code="nina").person == Person.objects.get(username="nina")
    assert not can_sign_in()
    assert "sign in as nina" in mail.outbox[0].body
    link = link_of()
    assert "Your password is kept" in choose(link).content.decode()
    assert can_sign_in()
    assert "no longer works" in choose(link, "another long sentence").content.decode()
    assert can_sign_in()


def test_the_secret_of_a_link_does_not_stay_in_the_address() -> None:
    add()
    answer = Client().get(link_of())
    assert answer.status_code == 302
    assert answer.headers["Location"].endswith("/choose-password/")


def test_a_link_ends_after_three_days(monkeypatch: pytest.MonkeyPatch) -> None:
    add()
    later = timezone.now().replace(tzinfo=None) + timedelta(days=3, minutes=1)
    monkeypatch.setattr(onboarding_views.Join.token_generator, "_now", lambda: later)
    assert "no longer works" in Client().get(link_of()).content.decode()


def test_a_new_link_ends_the_one_before_and_taking_back_ends_both() -> None:
    add()
    pk = Person.objects.get(username="nina").pk
    signed_in("olga").post(f"/people/{pk}/link/")
    first, second = link_of(0), link_of(1)
    assert "no longer works" in Client().get(first).content.decode()
    assert Client().get(second).status_code == 302
    signed_in("olga").post(f"/people/{pk}/take-back/")
    assert "no longer works" in Client().get(second).content.decode()


def test_a_link_of_somebody_who_left_is_none() -> None:
    add()
    signed_in("olga").post(f"/people/{Person.objects.get(username='nina').pk}/deactivate/")
    assert "no longer works" in Client().get(link_of()).content.decode()


def test_an_owner_is_told_when_the_mail_could_not_be_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise ConnectionRefusedError("nobody listens")

    monkeypatch.setattr(EmailBackend, "send_messages", refuse)
    shown = add().content.decode()
    assert "could not be sent (nobody listens)" in shown
    assert Person.objects.filter(username="nina").exists()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"username": "olga"}, "already exists"),
        ({"email": ""}, "This field is required"),
        ({"role": "admiral"}, "Select a valid choice"),
    ],
)
def test_what_cannot_be_added_is_said(changes: dict[str, str], said: str) -> None:
    assert said in add(**changes).content.decode()
    assert not mail.outbox


def test_an_address_belongs_to_one_active_person() -> None:
    add()
    assert "has this address already" in add(username="other", email="NINA@example.org").content.decode()


def test_a_forgotten_password_is_chosen_anew_by_mail(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(onboarding_views, "send_beside", onboarding_views.send)
    add()
    choose(link_of())
    Client().post("/people/forgotten/", {"email": "nina@example.org"})
    choose(link_of(), "quite another sentence")
    assert can_sign_in(password="quite another sentence")  # noqa: S106
    assert not can_sign_in()


def test_the_page_does_not_tell_who_has_an_account(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(onboarding_views, "send_beside", onboarding_views.send)
    add()
    choose(link_of())
    mail.outbox.clear()
    pages = {
        re.sub(
            r"\w{64}", "", Client().post("/people/forgotten/", {"email": email}, follow=True).content.decode()
        )
        for email in ("nina@example.org", "nobody@example.org")
    }
    assert len(pages) == 1
    assert len(mail.outbox) == 1


@pytest.mark.parametrize("name", ["nina", "nobody"])
def test_five_wrong_passwords_shut_the_door_for_a_quarter_of_an_hour(name: str) -> None:
    add()
    choose(link_of())
    wrong = {"username": name, "password": "wrong"}
    assert [Client().post("/sign-in/", wrong).status_code for _ in range(5)] == [200] * 4 + [429]
    answer = Client().post("/sign-in/", {"username": name, "password": PASSWORD})
    assert answer.status_code == 429
    assert 890 <= int(answer["Retry-After"]) <= 901
    assert "Try again at" in answer.content.decode()
    # From elsewhere, or as somebody else, the door stays open.
    elsewhere = Client(REMOTE_ADDR="192.0.2.9").post("/sign-in/", wrong)
    assert elsewhere.status_code == 200
    assert Client().post("/sign-in/", {"username": "olga", "password": "wrong"}).status_code == 200
    AccessAttempt.objects.update(attempt_time=timezone.now() - timedelta(minutes=15, seconds=1))
    assert can_sign_in() is True or name == "nobody"


def test_a_name_that_is_tried_from_many_addresses_is_shut_except_where_its_person_is_known() -> None:
    add()
    choose(link_of())
    known = Client(REMOTE_ADDR="192.0.2.1")
    right = {"username": "nina", "password": PASSWORD}
    assert known.post("/sign-in/", right).status_code == 302
    wrong = {"username": "nina", "password": "wrong"}
    tried = [
        Client(REMOTE_ADDR=f"198.51.100.{number}").post("/sign-in/", wrong).status_code
        for number in range(MOST_WRONG_IN_ALL + 5)
    ]
    assert tried == [200] * (MOST_WRONG_IN_ALL - 1) + [429] * 6
    elsewhere = Client(REMOTE_ADDR="203.0.113.7")
    answer = elsewhere.post("/sign-in/", right)
    assert answer.status_code == 429
    assert 890 <= int(answer["Retry-After"]) <= 901
    assert Client(REMOTE_ADDR="192.0.2.1").post("/sign-in/", right).status_code == 302
    assert elsewhere.post("/sign-in/", {**wrong, "username": "olga"}).status_code == 200
    AccessAttempt.objects.update(attempt_time=timezone.now() - timedelta(minutes=15, seconds=1))
    assert elsewhere.post("/sign-in/", right).status_code == 302


def test_a_client_that_tries_many_names_is_shut_out_but_whoever_is_known_there_is_not() -> None:
    add()
    choose(link_of())
    right = {"username": "nina", "password": PASSWORD}
    assert Client().post("/sign-in/", right).status_code == 302
    tried = [
        Client().post("/sign-in/", {"username": f"name-{number}", "password": "summer"}).status_code
        for number in range(MOST_WRONG_IN_ALL + 2)
    ]
    assert tried == [200] * (MOST_WRONG_IN_ALL - 1) + [429] * 3
    assert Client().post("/sign-in/", {"username": "olga", "password": "x"}).status_code == 429
    assert Client().post("/sign-in/", right).status_code == 302
    assert Client(REMOTE_ADDR="192.0.2.9").post("/sign-in/", right).status_code == 302


def test_addresses_of_one_ipv6_network_are_one_client() -> None:
    wrong = {"username": "olga", "password": "wrong"}
    tried = [
        Client(REMOTE_ADDR=f"2001:db8:0:7::{number:x}").post("/sign-in/", wrong).status_code
        for number in range(1, 7)
    ]
    assert tried == [200] * 4 + [429] * 2
    assert Client(REMOTE_ADDR="2001:db8:0:8::1").post("/sign-in/", wrong).status_code == 200


def test_trying_while_it_is_shut_does_not_keep_it_shut() -> None:
    wrong = {"username": "olga", "password": "wrong"}
    for _ in range(5):
        Client().post("/sign-in/", wrong)
    AccessAttempt.objects.update(attempt_time=timezone.now() - timedelta(minutes=10))
    assert int(Client().post("/sign-in/", wrong)["Retry-After"]) <= 301


@pytest.mark.parametrize(
    ("proxies", "forwarded", "address"),
    [
        (0, "203.0.113.7", "127.0.0.1"),
        (1, "203.0.113.7", "203.0.113.7"),
        (1, "198.51.100.1, 203.0.113.7", "203.0.113.7"),
        (2, "198.51.100.1, 203.0.113.7, 10.0.0.1", "203.0.113.7"),
        (1, "unknown", None),
        (2, "203.0.113.7", "127.0.0.1"),
    ],
)
def test_what_our_proxies_add_is_believed_and_nothing_else(
    proxies: int, forwarded: str, address: str | None, settings: Any
) -> None:
    settings.PROXIES = proxies
    assert address_of(RequestFactory().get("/", headers={"X-Forwarded-For": forwarded})) == address
