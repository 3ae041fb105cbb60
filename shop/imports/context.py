"""What every import shares: faults found so far, codes, and the summary of what it did."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from shop.common.flagged import Flagged
from shop.common.progress import Bar, no_bar
from shop.common.text import counted
from shop.imports.codes import Codes
from shop.imports.csv_reader import Faults, Record

MOST_CREATED = 20


class Rejected(ValueError):
    """A rejected file, with what is wrong with it; nothing was written."""

    def __init__(self, faults: Faults, *, compared: bool = True) -> None:
        """Write the faults as text; `compared` is False when rows were looked at one by one only."""
        self.count = len(faults)
        named = sorted(faults.named, key=lambda fault: fault.line)
        more = f"and {counted(faults.more, 'more fault')} in {counted(faults.more_rows, 'row')}"
        if not compared:
            more += ", not counting what shows only beside other rows or the books"
        self.lines = [*map(str, named), *[more] * bool(faults.more)]
        super().__init__("; ".join(self.lines))


@dataclass(slots=True)
class Context:
    """One run of an import."""

    codes: Codes
    now: datetime
    by: str
    create_missing: bool = False
    bar: Bar = no_bar
    faults: Faults = field(default_factory=Faults)


@dataclass(slots=True)
class ImportSummary:
    """What an import did: records that were new or already there, codes it made, what to look at."""

    what: str
    new: int = 0
    already: int = 0
    flagged: Flagged = field(default_factory=Flagged)
    created: dict[str, list[str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Return the summary as text."""
        flagged = f", {self.flagged.documents} flagged for a person to see" if self.flagged.flags else ""
        return [
            f"{self.what}: {self.new} new, {self.already} already there{flagged}",
            *self.flagged.lines(),
            *(f"created {name}: {_first(codes)}" for name, codes in self.created.items()),
            *self.notes,
        ]


def _first(codes: Sequence[str]) -> str:
    more = len(codes) - MOST_CREATED
    return ", ".join(codes[:MOST_CREATED]) + (f" and {more:,} more" if more > 0 else "")


class Importer(Protocol):
    """Takes in one kind of file: all records are read, then checked together, then written."""

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of the file."""

    def read(self, record: Record) -> None:
        """Take in a record, noting what is wrong with its cells."""

    def check(self) -> None:
        """Note what is wrong across records, or against what the database holds."""

    def write(self) -> ImportSummary:
        """Post what was read; what the ledger refuses is noted as faults."""
