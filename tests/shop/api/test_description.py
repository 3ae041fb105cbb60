"""The description of the API as a page: every address of it, for everybody who signs in."""

from html import unescape

import pytest
from drf_spectacular.generators import SchemaGenerator

from tests.shop.api.served_shop import PERSON_OF_ROLE, open_served_shop, signed_in

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_the_page_describes_every_operation_of_the_schema(role: str) -> None:
    open_served_shop()
    answer = signed_in(PERSON_OF_ROLE[role]).get("/api/v1/")
    assert answer.status_code == 200
    text = unescape(answer.content.decode())
    schema = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    assert len(schema["paths"]) > 50
    for path, methods in schema["paths"].items():
        for method in methods:
            assert f"<strong>{method.upper()}</strong> <code>{path}</code>" in text
    assert "price" in text
    assert "net of tax and discount" in text
