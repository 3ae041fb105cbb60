"""What a file says of a record that was posted before with other content, cell by cell. Pure."""

from collections import defaultdict, deque
from collections.abc import Iterator, Mapping, Sequence
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
        else:
            yield Difference(None, field, _text(value), _text(other))


def in_posted_order(given: Sequence[Mapping[str, Any]], posted: Sequence[Mapping[str, Any]]) -> list[int]:
    """Return the positions of the given lines, those that were posted alike in the order they were posted.

    A line that differs takes the place of one of the same consumable if it can, else any place left over.
    """
    places: list[int | None] = [None] * len(posted)
    left = list(range(len(given)))
    for key in (_whole, _consumable):
        waiting: dict[Any, deque[int]] = defaultdict(deque)
        for number in left:
            waiting[key(given[number])].append(number)
        for place, line in enumerate(posted):
            if places[place] is None and waiting[key(line)]:
                places[place] = waiting[key(line)].popleft()
        left = sorted(number for numbers in waiting.values() for number in numbers)
    rest = iter(left)
    filled = [next(rest, None) if number is None else number for number in places]
    return [number for number in filled if number is not None] + list(rest)


def _whole(line: Mapping[str, Any]) -> Any:
    return tuple(sorted(line.items()))


def _consumable(line: Mapping[str, Any]) -> Any:
    return line.get("place"), line["consumable"]


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
