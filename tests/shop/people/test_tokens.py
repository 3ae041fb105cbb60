"""The page of own API tokens: shown once, never anyone else's."""

import re
from collections.abc import Callable

import pytest
from django.contrib.auth.hashers import PBKDF2SHA1PasswordHasher, make_password
from django.contrib.auth.tokens import default_token_generator
from django.core.management import call_command
from django.test import Client
from django.utils import timezone
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode
from pytest_django import Settings

from shop.models import ApiToken, Person
from shop.people import invitations
from shop.people.tokens import MOST_PER_PERSON, make_token
from tests.shop.api.served_shop import open_served_shop, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


def test_a_token_is_made_shown_once_and_revoked() -> None:
    sue = signed_in("sue")
    made = sue.post("/people/me/tokens/", {"name": "office phone", "days": "30"}).content.decode()
    found = re.search(r'<code class="secret">(\w+)</code>', made)
    assert found
    again = sue.get("/people/me/tokens/").content.decode()
    assert "office phone" in again
    assert found[1] not in again
    headers = {"Authorization": f"Bearer {found[1]}"}
    assert Client().get("/api/v1/stock/", headers=headers).status_code == 200
    page = f"/people/me/tokens/{ApiToken.objects.get().digest}/revoke/"
    assert "cannot be undone" in sue.get(page).content.decode()
    sue.post(page)
    assert Client().get("/api/v1/stock/", headers=headers).status_code == 401


def test_nobody_revokes_the_token_of_another() -> None:
    make_token(Person.objects.get(username="ben"), "ben's", 30)
    page = f"/people/me/tokens/{ApiToken.objects.get().digest}/revoke/"
    for name in ("ann", "olga"):
        assert signed_in(name).get(page).status_code == 404
        assert signed_in(name).post(page).status_code == 404
    assert ApiToken.objects.exists()


def test_tokens_are_bounded_in_number_and_life() -> None:
    for number in range(MOST_PER_PERSON):
        make_token(Person.objects.get(username="sue"), f"token {number}", 30)
    answer = signed_in("sue").post("/people/me/tokens/", {"name": "one more", "days": "30"})
    assert "revoke one first" in answer.content.decode()
    answer = signed_in("ann").post("/people/me/tokens/", {"name": "for ever", "days": "99999"})
    assert "Select a valid choice" in answer.content.decode()
    assert ApiToken.objects.count() == MOST_PER_PERSON


OLD, NEW = "an old long sentence", "a new long sentence"
BOTH = {"new_password1": NEW, "new_password2": NEW}


def change_own() -> None:
    answer = signed_in("sue").post("/people/me/password/", {"old_password": OLD, **BOTH}, follow=True)
    assert "API tokens have ended" in answer.content.decode()


def reset_by_link() -> None:
    sue = Person.objects.get(username="sue")
    uid = urlsafe_base64_encode(force_bytes(sue.pk))
    page = f"/people/reset/{uid}/{default_token_generator.make_token(sue)}/"
    client = Client()
    shown = client.get(page, follow=True)
    assert "API tokens end" in shown.content.decode()
    answer = client.post(shown.redirect_chain[-1][0], BOTH, follow=True)
    assert "API tokens have ended" in answer.content.decode()


def join_by_link() -> None:
    Person.objects.filter(username="sue").update(invited_at=timezone.now())
    sue = Person.objects.get(username="sue")
    uid = urlsafe_base64_encode(force_bytes(sue.pk))
    client = Client()
    shown = client.get(f"/people/join/{uid}/{invitations.tokens.make_token(sue)}/", follow=True)
    client.post(shown.redirect_chain[-1][0], BOTH)


def set_in_admin() -> None:
    pk = Person.objects.get(username="sue").pk
    body = {"password1": NEW, "password2": NEW, "usable_password": "true", "set-password": "1"}
    assert signed_in("olga").post(f"/admin/shop/person/{pk}/password/", body).status_code == 302


def take_away_in_admin() -> None:
    pk = Person.objects.get(username="sue").pk
    body = {"usable_password": "false", "unset-password": "1"}
    assert signed_in("olga").post(f"/admin/shop/person/{pk}/password/", body).status_code == 302


def set_by_command() -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("getpass.getpass", lambda *_, **__: NEW)
        call_command("changepassword", "sue")


@pytest.mark.parametrize(
    "change", [change_own, reset_by_link, join_by_link, set_in_admin, take_away_in_admin, set_by_command]
)
def test_no_token_outlives_the_password_it_was_made_under(change: Callable[[], None]) -> None:
    olga, sue = (Person.objects.get(username=name) for name in ("olga", "sue"))
    for person in (olga, sue):
        person.is_superuser = person.is_staff = person is olga
        person.set_password(OLD)
        person.save()
    secrets = {person.username: make_token(person, "office", 30)[1] for person in (olga, sue)}
    before = sue.password

    def status(name: str) -> int:
        return (
            Client().get("/api/v1/stock/", headers={"Authorization": f"Bearer {secrets[name]}"}).status_code
        )

    assert status("sue") == 200
    change()
    assert Person.objects.get(username="sue").password != before
    assert (status("sue"), status("olga")) == (401, 200)


def test_a_password_that_is_only_hashed_again_ends_no_token(settings: Settings) -> None:
    hashers = "django.contrib.auth.hashers"
    settings.PASSWORD_HASHERS = [f"{hashers}.MD5PasswordHasher", f"{hashers}.PBKDF2SHA1PasswordHasher"]
    sue = Person.objects.get(username="sue")
    sue.password = make_password(OLD, hasher=PBKDF2SHA1PasswordHasher())
    sue.save()
    make_token(sue, "office", 30)
    before = sue.password
    assert Client().post("/sign-in/", {"username": "sue", "password": OLD}).status_code == 302
    assert Person.objects.get(username="sue").password != before
    Person.objects.get(username="sue").save()
    assert ApiToken.objects.count() == 1
