"""Whatever goes wrong under /api/ is answered with problem details (RFC 9457)."""

from collections.abc import Iterator

import pytest
from django.core.cache import cache
from django.test import Client
from rest_framework.throttling import SimpleRateThrottle

from shop.api.views import CloseView
from tests.shop.api.served_shop import PATHS, open_served_shop, problem, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def served_shop() -> None:
    """Start with a shop of five people."""
    open_served_shop()


@pytest.mark.parametrize("path", ["/api/", "/api/v2/closes/", "/api/v1/closes", "/api/v1/a%0Ab"])
@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE"])
def test_an_address_that_is_none_is_not_found(method: str, path: str) -> None:
    for client in (Client(enforce_csrf_checks=True), signed_in("olga")):
        answer = client.generic(method, path)
        assert answer.status_code == 404
        assert "/api/v1/" in problem(answer)["detail"]


def test_a_media_type_that_is_not_given_is_refused() -> None:
    answer = signed_in("olga").get("/api/v1/jobs/", headers={"Accept": "text/html"})
    assert answer.status_code == 406
    problem(answer)


def test_a_method_that_is_none_is_refused_with_those_that_are() -> None:
    answer = signed_in("olga").delete("/api/v1/closes/")
    assert answer.status_code == 405
    assert answer["Allow"] == "GET, HEAD, POST"
    problem(answer)


def test_a_failure_of_the_server_is_a_problem_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError

    monkeypatch.setattr(CloseView, "get", fail)
    client = signed_in("olga", raise_request_exception=False)
    answer = client.get(PATHS["close"] + "C-1")
    assert answer.status_code == 500
    assert "fault" in problem(answer)["detail"]


@pytest.fixture
def three_a_minute(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let each person ask three times a minute."""
    cache.clear()
    monkeypatch.setattr(SimpleRateThrottle, "THROTTLE_RATES", {"person": "3/min"})
    yield
    cache.clear()


@pytest.mark.usefixtures("three_a_minute")
def test_who_asks_too_often_is_told_when_to_go_on() -> None:
    client = signed_in("olga")
    assert [client.get("/api/v1/jobs/").status_code for _ in range(4)] == [200, 200, 200, 429]
    answer = client.get("/api/v1/jobs/")
    assert 1 <= int(answer["Retry-After"]) <= 60
    problem(answer)
    assert signed_in("ada").get("/api/v1/jobs/").status_code == 200
