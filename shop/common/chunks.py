"""Long lists cut into parts that one statement can name."""

from collections.abc import Iterator, Sequence
from typing import TypeVar

T = TypeVar("T")


def chunks(items: Sequence[T], size: int = 1000) -> Iterator[Sequence[T]]:
    """Yield `items` in parts of at most `size`."""
    for start in range(0, len(items), size):
        yield items[start : start + size]
