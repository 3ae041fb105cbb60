"""The page of own API tokens: shown once, never anyone else's."""

import re

import pytest
from django.test import Client

from shop.models import Person
from shop.people.tokens import MOST_PER_PERSON, ApiToken, make_token
from tests.shop.api.served_shop import open_served_shop, signed_in

pytestmark = pytest.mark.django_db


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
