"""The text that a job's document keeps inside its content: written in one form, read as it was said."""

import json
from typing import Any

import pytest

from inventory.documents import DocumentKind
from inventory.models import Document
from shop.common.job_content import as_sent, job_content_text, stored_job_content, stored_text
from shop.jobs.close_data import close_content, close_values
from tests.shop.world import DISC, close, closing_of, open_shop, used


@pytest.mark.django_db
def test_what_is_stored_is_what_the_close_said() -> None:
    open_shop()
    said = closing_of("J-1", "2026-03-02", used(DISC, "2", "15"), note="größer", cleared=("callback_of",))
    close("J-1", "2026-03-02", used(DISC, "2", "15"), note="größer", cleared=("callback_of",))
    content = Document.objects.get(kind=DocumentKind.CLOSE).content
    assert stored_text(content) == close_content(said)
    assert stored_job_content(content) == close_values(said) == as_sent(content)
    assert job_content_text(stored_job_content(content)) == stored_text(content)


def test_what_another_document_said_is_all_but_its_kind_and_id() -> None:
    assert as_sent({"kind": "count", "id": "C-1", "lines": [], "note": ""}) == {"lines": [], "note": ""}


@pytest.mark.parametrize(
    "content", [{}, {"content": ""}, {"content": "not JSON"}, {"content": "[1]"}, {"content": None}]
)
def test_a_text_that_cannot_be_read_is_an_error_of_its_own(content: dict[str, Any]) -> None:
    with pytest.raises((LookupError, TypeError, ValueError)):
        stored_job_content(content)


def test_a_text_of_one_thing_is_named() -> None:
    with pytest.raises(TypeError, match="'odd', not fields by name"):
        stored_job_content({"content": json.dumps("odd")})
