"""How programs and browsers say who they are: tokens, sessions, and the token against forged forms."""

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from shop.models import ApiToken, Person
from shop.people.tokens import make_token
from tests.shop.api.served_shop import BODIES, PATHS, open_served_shop, problem, put, signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


def token_of(name: str) -> str:
    """Return a token of a person."""
    return make_token(Person.objects.get(username=name), "a script", 30)[1]


def count_with(authorization: str) -> Any:
    """Post a count as a program would."""
    return Client(enforce_csrf_checks=True).put(
        PATHS["count"] + "X-1",
        BODIES["count"](),
        content_type="application/json",
        headers={"Authorization": authorization},
    )


def test_a_program_signs_in_with_a_token_and_may_do_what_its_person_may() -> None:
    assert count_with(f"Bearer {token_of('sue')}").status_code == 201
    assert count_with(f"Bearer {token_of('ada')}").status_code == 403


@pytest.mark.parametrize("said", ["Bearer", "Bearer guess", "Bearer a b", "Bearer café", "Basic c3VlOng="])
def test_what_is_no_token_is_refused(said: str) -> None:
    answer = count_with(said)
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"] == "Bearer"
    problem(answer)


def test_only_a_hash_of_a_token_is_kept() -> None:
    secret = token_of("sue")
    row = ApiToken.objects.get()
    assert secret not in {str(value) for value in vars(row).values()}
    assert len(row.digest) == 128


def test_a_token_ends_on_its_day() -> None:
    secret = token_of("sue")
    ApiToken.objects.update(expiry=timezone.now() - timedelta(seconds=1))
    assert count_with(f"Bearer {secret}").status_code == 401


def test_a_token_ends_with_its_person() -> None:
    secret = token_of("sue")
    Person.objects.filter(username="sue").update(is_active=False)
    assert count_with(f"Bearer {secret}").status_code == 401


def test_a_browser_needs_the_csrf_token() -> None:
    client = signed_in("sue", enforce_csrf_checks=True)
    body = BODIES["count"]()
    answer = client.put(PATHS["count"] + "X-1", body, content_type="application/json")
    assert answer.status_code == 403
    assert "CSRF" in problem(answer)["detail"]
    client.get("/")
    token = client.cookies["csrftoken"].value
    answer = client.put(
        PATHS["count"] + "X-1", body, content_type="application/json", headers={"X-CSRFToken": token}
    )
    assert answer.status_code == 201


def test_someone_who_is_no_longer_active_is_signed_out() -> None:
    client = signed_in("olga")
    put("olga", "count", "N-1", BODIES["count"]())
    Person.objects.filter(username="olga").update(is_active=False)
    assert client.get(PATHS["count"] + "N-1").status_code == 401
    assert client.get("/").status_code == 302


def test_whoever_made_the_deployment_is_an_owner() -> None:
    Person.objects.create_superuser("root")
    assert put("root", "receipt", "X-1", BODIES["receipt"]()).status_code == 201
    assert signed_in("root").get("/admin/").status_code == 200
