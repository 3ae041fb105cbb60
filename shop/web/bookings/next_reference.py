"""The next free reference or code after the ones that a shop gave before: B-0009 after B-0008."""

import re
from collections.abc import Callable, Collection

PATTERN = re.compile(r"(?P<start>.*?)(?P<number>[0-9]{1,12})")
# The number looked up at once; only others' later numbers are in the way.
AT_ONCE = 50


def next_free(latest: str, first: str, taken: Callable[[Collection[str]], Collection[str]]) -> str:
    """Return the reference after `latest` that is free; `first` and those after it where that has no number.

    `taken` returns which of some references are. Numbers keep their leading zeros.
    """
    found = PATTERN.fullmatch(latest) or PATTERN.fullmatch(first)
    if found is None:
        raise ValueError(f"{first!r} does not end in a number; give one such as B-0001")
    start, width = found["start"], len(found["number"])
    number = int(found["number"]) + (found.string == latest)
    while True:
        candidates = [f"{start}{number + ahead:0{width}}" for ahead in range(AT_ONCE)]
        gone = set(taken(candidates))
        for candidate in candidates:
            if candidate not in gone:
                return candidate
        number += AT_ONCE
