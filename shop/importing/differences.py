"""What a file says of a record that was posted before with other content, cell by cell. Pure."""

import json
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple


class Difference(NamedTuple):
    """A field that differs: the line it is on (from 0, None for the whole record) and what was posted."""

    line: int | None
    field: str
    given: str
    posted: str


def differences(given: Mapping[str, Any], posted: Mapping[str, Any]) -> Iterator[Difference]:
    """Yield where two contents of documents (inventory.documents.content) differ."""
    for field, value in given.items():
        other = posted.get(field)
        if value == other:
            continue
        if field == "lines" and isinstance(other, list):
            yield from _line_differences(value, other)
        elif field == "content":
            yield from differences(json.loads(value), json.loads(str(other)))
        else:
            yield Difference(None, field, _text(value), _text(other))


def _line_differences(given: list[dict[str, Any]], posted: list[dict[str, Any]]) -> Iterator[Difference]:
    if len(given) != len(posted):
        yield Difference(None, "lines", str(len(given)), str(len(posted)))
        return
    for number, (line, other) in enumerate(zip(given, posted, strict=True)):
        for field, value in line.items():
            if value != other.get(field):
                yield Difference(number, field, _text(value), _text(other.get(field)))


def _text(value: object) -> str:
    return "" if value is None else str(value)
