"""The description of the API says what the API does."""

import json
from dataclasses import MISSING, fields
from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from rest_framework.serializers import ListSerializer

from shop.api import views
from shop.api.serializers import ShapeSerializer
from tests.shop.api.served_shop import KINDS

VIEWS = {view.kind.value: view for view in views.DocumentView.__subclasses__()}


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    """Return the schema, made without a warning and valid."""
    out = StringIO()
    call_command("spectacular", "--validate", "--fail-on-warn", "--format", "openapi-json", stdout=out)
    made: dict[str, Any] = json.loads(out.getvalue())
    return made


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_described_with_its_shape_and_answers(kind: str, schema: dict[str, Any]) -> None:
    route = schema["paths"][f"/api/v1/{kind}s/{{client_id}}"]
    assert set(route) == {"get", "put"}
    body = route["put"]["requestBody"]["content"]["application/json"]["schema"]["$ref"]
    assert body == f"#/components/schemas/{kind.capitalize()}"
    refusals = {"400", "401", "403", "404", "406", "429"}
    assert set(route["put"]["responses"]) == {"200", "201", "409", "413", "415"} | refusals
    assert set(route["put"]["responses"]["409"]["content"]) == {"application/problem+json"}
    assert set(route["get"]["responses"]) == {"200"} | refusals


@pytest.mark.parametrize("kind", KINDS)
def test_a_shape_has_the_fields_of_what_it_makes_and_requires_those_without_default(kind: str) -> None:
    assert_same_fields(VIEWS[kind].serializer_class())


def assert_same_fields(shape: ShapeSerializer) -> None:
    """Compare a shape and its lines with their dataclasses."""
    # The id comes from the address, and what is cleared is said by null, false or an empty text.
    elsewhere = {"id", "cleared"}
    made = {
        field.name: field.default is MISSING for field in fields(shape.makes) if field.name not in elsewhere
    }
    assert {name: field.required for name, field in shape.fields.items()} == made
    for field in shape.fields.values():
        if isinstance(field, ListSerializer):
            assert isinstance(field.child, ShapeSerializer)
            assert_same_fields(field.child)
