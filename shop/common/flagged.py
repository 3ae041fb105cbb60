"""The flags of many new documents, for a person: the first ones, and how many more."""

from collections.abc import Sequence
from dataclasses import dataclass, field

MOST_FLAGS = 20


@dataclass(slots=True)
class Flagged:
    """New documents that a person should see; the first flags are kept, the others only counted."""

    documents: int = 0
    flags: int = 0
    first: list[str] = field(default_factory=list)

    def add(self, reference: str, flags: Sequence[str]) -> None:
        """Take in the flags of one document, which may have none."""
        self.documents += bool(flags)
        self.flags += len(flags)
        self.first += [f"{reference}: {flag}" for flag in flags][: MOST_FLAGS - len(self.first)]

    def lines(self) -> list[str]:
        """Return the first flags as text, and where the others are."""
        more = self.flags - len(self.first)
        return self.first + [f"... and {more} more; all are in the admin's list of documents"] * bool(more)
