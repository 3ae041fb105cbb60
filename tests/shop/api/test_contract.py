"""What the schema promises holds for requests that nobody thought of, for each role.

schemathesis makes requests from the schema, good and bad ones; the answers must be of a status, media type
and shape that the schema lists, and never a failure of the server.
"""

from typing import Any

import pytest
import schemathesis
from django.db import connections, transaction
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from shop.config.wsgi import application
from shop.models import Person
from shop.people.tokens import make_token
from tests.shop.api.served_shop import PERSON_OF_ROLE, close_body, open_served_shop, put

pytestmark = [pytest.mark.django_db, pytest.mark.slow, pytest.mark.same_on_each_database]

CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
)
# Enough to meet each kind of bad value; `HYPOTHESIS_PROFILE` has no say, so that a run is the same each time.
# Who may do most meets the most.
EXAMPLES, EXAMPLES_OF_OTHERS = 6, 2
WITHOUT_SHRINKING = (Phase.explicit, Phase.generate)


@pytest.fixture(autouse=True)
def connection_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep the test's connection: after a request through WSGI Django closes one that is in a transaction."""
    monkeypatch.setattr(connections["default"], "close_if_unusable_or_obsolete", lambda: None)


def headers(secret: str) -> dict[str, str]:
    """Return what each request carries; answers come uncompressed, as the client cannot read others."""
    return {"Authorization": f"Bearer {secret}", "Host": "testserver", "Accept-Encoding": "identity"}


def schema_for(secret: str) -> Any:
    """Return the schema as the server gives it to the person of this token."""
    return schemathesis.openapi.from_wsgi("/api/v1/schema/", application, headers=headers(secret))


@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_every_answer_is_one_that_the_schema_lists(role: str) -> None:
    open_served_shop()
    put("olga", "close", "C-1", close_body(uses=[{"consumable": "disc-p400", "quantity": 1, "minutes": 55}]))
    secret = make_token(Person.objects.get(username=PERSON_OF_ROLE[role]), "contract", 7)[1]
    schema = schema_for(secret)
    wrong = []
    for found in schema.get_all_operations():
        operation = found.ok()
        try:
            check(operation, secret, EXAMPLES if role == "owner" else EXAMPLES_OF_OTHERS)
        except* Exception as failures:
            wrong.append(f"{operation.label}: {failures.exceptions[0]}")
    assert not wrong, "\n\n".join(wrong)


def check(operation: Any, secret: str, examples: int) -> None:
    """Ask one operation with made-up values, undoing what each of them does."""

    @settings(
        max_examples=examples,
        derandomize=True,
        database=None,
        deadline=None,
        phases=WITHOUT_SHRINKING,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def ask(case: Any) -> None:
        with transaction.atomic():
            answer = case.call(headers=headers(secret))
            transaction.set_rollback(True)
        case.validate_response(answer, checks=CHECKS)

    ask()
