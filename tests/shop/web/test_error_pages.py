"""What a person sees when something went wrong: the shop's layout, what to do, and a way back."""

import re
from typing import Any

import pytest
from django.db import OperationalError, connection
from django.test import Client

from shop.models import Person, Role
from tests.shop.desk_pages import client, said

pytestmark = pytest.mark.django_db
PAGES = {
    400: "/store/?q=%00",
    403: "/people/",
    404: "/no/such/page/",
}


def assert_has_layout(answer: Any, status: int) -> None:
    """Assert that an answer is a page of the shop with a way back to the first one."""
    html = answer.content.decode()
    assert answer.status_code == status
    assert answer["Content-Type"].startswith("text/html")
    assert 'class="brand"' in html
    assert "shop/style.css" in html
    assert re.search(r'<a href="/">Back to the first page</a>', html)
    assert "content-security-policy" in {name.lower() for name in answer.headers}


@pytest.mark.parametrize("status", PAGES)
def test_a_page_that_is_refused_says_so_in_the_shops_layout(status: int) -> None:
    assert_has_layout(client(Role.STOREKEEPER).get(PAGES[status]), status)


def failing(monkeypatch: pytest.MonkeyPatch, error: Exception) -> Client:
    """Return an owner's browser for which the page of settings fails."""
    browser = client(Role.OWNER)
    browser.raise_request_exception = False

    def fail(*_: Any, **__: Any) -> None:
        raise error

    monkeypatch.setattr("shop.web.owner.settings_views.render", fail)
    return browser


@pytest.mark.parametrize("method", ["get", "post"])
def test_a_page_that_fails_says_what_to_do(method: str, monkeypatch: pytest.MonkeyPatch) -> None:
    answer = getattr(failing(monkeypatch, RuntimeError("broken")), method)("/owner/settings/")
    assert_has_layout(answer, 500)
    text = said(answer)
    assert "tell an owner" in text
    assert "/owner/settings/" in text
    assert "broken" not in text
    assert ("Try again" in text) == (method == "get")
    assert ("look whether it is there" in text) == (method == "post")


def test_when_the_database_is_gone_the_page_asks_it_nothing() -> None:
    browser = client(Role.OWNER)
    browser.raise_request_exception = False

    def gone(*_: Any) -> None:
        raise OperationalError("could not connect to server")

    with connection.execute_wrapper(gone):
        answer = browser.get("/owner/settings/")
    assert_has_layout(answer, 500)
    assert "The database does not answer" in said(answer)
    assert "connect" not in said(answer)


def test_a_form_from_before_the_last_sign_in_is_refused_with_what_to_do() -> None:
    browser = Client(enforce_csrf_checks=True)
    person = client(Role.OWNER).get("/").wsgi_request.user
    assert isinstance(person, Person)
    browser.force_login(person)
    answer = browser.post("/people/me/lengths/", {"length_unit": "mm"})
    assert_has_layout(answer, 403)
    assert "Reload the page" in said(answer)
