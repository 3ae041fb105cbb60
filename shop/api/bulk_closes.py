"""Several closes in one request, as a phone sends them after it had no signal.

Each close stands alone: a refused one does not stop the others. Each counts once, however often the list is
sent.
"""

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from inventory.documents import Problem
from shop.api.fields import TextField
from shop.api.problems import Malformed, ProblemSerializer, problem_of
from shop.api.serializers import LIST_MESSAGES, CloseSerializer, PostedSerializer
from shop.api.views import CloseView
from shop.models import Person

MOST_CLOSES = 100


class CloseInListSerializer(CloseSerializer):
    """A close with the id that the sender chose for it."""

    id = TextField()


class CloseResultSerializer(serializers.Serializer[Any]):
    """The result of one close of the list, in the order of the list."""

    id = serializers.CharField(allow_null=True, help_text="as it was sent; null: none was sent")
    result = serializers.ChoiceField(choices=["created", "same", "refused"])
    posted = PostedSerializer(allow_null=True, help_text="the result of posting it; null: it was refused")
    problem = ProblemSerializer(allow_null=True, help_text="why it was refused; null: it was posted")


def post_each(person: Person, closes: Any) -> list[dict[str, Any]]:
    """Post each close of a list by itself; return a result for each. Raises Malformed unless it is a list."""
    if not isinstance(closes, list):
        raise Malformed([Problem("body", closes, str(LIST_MESSAGES["not_a_list"]))])
    if not 1 <= len(closes) <= MOST_CLOSES:
        expected = f"is the number of closes sent; send 1 to {MOST_CLOSES} at once"
        raise Malformed([Problem("body", len(closes), expected)])
    return [_post(person, close) for close in closes]


def _post(person: Person, close: Any) -> dict[str, Any]:
    id_ = close.get("id") if isinstance(close, Mapping) else None
    try:
        if not isinstance(id_, str):
            given = id_ if isinstance(close, Mapping) else close
            raise Malformed([Problem("id", given, "is not given as a string; choose one for each close")])
        body = {name: value for name, value in close.items() if name != "id"}
        posted = CloseView.post_body(person, id_, body)
    except Exception as error:
        problem = problem_of(error)
        if problem is None:
            raise
        shown = id_.encode("utf-8", "replace").decode() if isinstance(id_, str) else None
        return {"id": shown, "result": "refused", "posted": None, "problem": problem}
    return {
        "id": id_,
        "result": "created" if posted["created"] else "same",
        "posted": posted,
        "problem": None,
    }
