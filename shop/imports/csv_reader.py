"""CSV files read strictly (RFC 4180, UTF-8) and their cells parsed; each fault is noted with its place. Pure.

Reading goes on after a fault, so that one run names the first MOST_NAMED and counts the others. What reading
keeps in memory is bounded, whatever a file holds.
"""

import csv
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from decimal import Decimal
from pathlib import Path
from typing import BinaryIO

from inventory.documents import LONGEST_CODE, text_problem, time_problem
from shop.common.text import PLAIN_NUMBER, shortened

BYTE_ORDER_MARK = b"\xef\xbb\xbf"
UTF_16_MARKS = (b"\xff\xfe", b"\xfe\xff")
NUL = "\0"
# Further faults are counted: nobody reads more than this before correcting the first.
MOST_NAMED = 100
# No real row comes near; a longer line is no CSV and is skipped without being held.
LONGEST_LINE_BYTES = 1_000_000
# Numbers repeat often; this many are kept as one object each.
MOST_NUMBERS_KEPT = 2_000
# More digits than this would be rounded silently by the default context of Decimal.
MOST_DIGITS = 25
GROUPED_NUMBER = re.compile(r"-?[0-9.,'\u2019 \u00a0\u202f]*,[0-9.,]*")
MOMENT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
    r"([T ][0-9]{2}:[0-9]{2}(:[0-9]{2}([.,][0-9]{1,6})?)?(Z|[+-][0-9]{2}(:?[0-9]{2})?)?)?"
)
A_DAY = len("2026-03-31")
# The stand-in for a faulty cell; its record is not valid and must not be used.
STAND_IN_MOMENT = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a file: line (the header is 1), column ("" for the whole line), value, remedy."""

    line: int
    column: str
    value: str
    expected: str

    def __str__(self) -> str:
        column = f", column {self.column}" if self.column else ""
        return f"line {self.line}{column}: {shortened(self.value)!r} {self.expected}"


@dataclass(slots=True)
class Faults:
    """What is wrong with a file: the first faults by name, how many more there are and in how many rows."""

    named: list[Fault] = field(default_factory=list)
    more: int = 0
    more_rows: int = 0
    _last_line: int = 0

    def __len__(self) -> int:
        return len(self.named) + self.more

    def add(self, fault: Fault) -> None:
        """Take in a fault. Those of one row come one after the other."""
        if len(self.named) < MOST_NAMED:
            self.named.append(fault)
            return
        self.more += 1
        self.more_rows += fault.line != self._last_line
        self._last_line = fault.line

    def extend(self, faults: Iterable[Fault]) -> None:
        """Take in faults in any order."""
        for fault in sorted(faults, key=lambda fault: fault.line):
            self.add(fault)


class Record:
    """One row of a file. A cell that is wrong is noted, read as a stand-in, and makes the record unsound."""

    __slots__ = ("_cells", "_file", "line", "valid")

    def __init__(self, file: "CsvFile", line: int, cells: list[str]) -> None:
        self._file = file
        self._cells = cells
        self.line = line
        self.valid = True

    def fault(self, column: str, expected: str) -> None:
        """Note that a cell is wrong."""
        self.valid = False
        self._file.faults.add(Fault(self.line, column, self.raw(column), expected))

    def raw(self, column: str) -> str:
        """Return a cell as it is in the file."""
        return self._cells[self._file.index[column]]

    def text(self, column: str, longest: int = LONGEST_CODE, *, optional: bool = False) -> str:
        """Return a code or name; "" when it is wrong, or empty and optional."""
        text = self.raw(column)
        if optional and not text:
            return ""
        if found := text_problem(text, longest):
            self.fault(column, found)
            return ""
        return text

    def choice(self, column: str, allowed: Collection[str], *, optional: bool = False) -> str:
        """Return one of a few words."""
        text = self.raw(column)
        if text not in allowed and not (optional and not text):
            self.fault(column, f"is not one of {', '.join(filter(None, allowed))}")
        return text

    def number(self, column: str, problem: Callable[[Decimal], str | None]) -> Decimal:
        """Return a number that `problem` finds nothing wrong with; zero when it is wrong."""
        text = self.raw(column)
        number = self._file.numbers.get(text)
        if number is None:
            parsed = parse_number(text)
            if isinstance(parsed, str):
                self.fault(column, parsed)
                return Decimal(0)
            number = parsed
            if len(self._file.numbers) < MOST_NUMBERS_KEPT:
                self._file.numbers[text] = number
        if found := problem(number):
            self.fault(column, found)
            return Decimal(0)
        return number

    def optional_number(self, column: str, problem: Callable[[Decimal], str | None]) -> Decimal | None:
        """Return a number, or None for an empty cell."""
        return self.number(column, problem) if self.raw(column) else None

    def moment(self, column: str) -> datetime:
        """Return a date or a date with a time, in UTC."""
        moment = parse_moment(self.raw(column), self._file.zone)
        if isinstance(moment, str):
            self.fault(column, moment)
            return STAND_IN_MOMENT
        return moment


class CsvFile:
    """A file of known columns, in any order. Iterating gives its records and adds to `faults`.

    `progress` is called with the bytes read since its last call. Raises OSError when the file cannot be read.
    """

    def __init__(
        self,
        path: Path,
        columns: Sequence[str],
        zone: tzinfo,
        faults: Faults,
        progress: Callable[[int], object] = lambda _: None,
    ) -> None:
        self.path = path
        self.columns = tuple(columns)
        self.zone = zone
        self.faults = faults
        self.progress = progress
        self.index: dict[str, int] = {}
        self.numbers: dict[str, Decimal] = {}
        # Known once all was read; an empty file has nothing that could be cut off.
        self.ends_in_line_break = True
        self._spoilt = False
        self._has_nul = False

    def __iter__(self) -> Iterator[Record]:
        with self.path.open("rb") as file:
            if file.read(2) in UTF_16_MARKS:
                self.faults.add(Fault(1, "", "", "starts a file in UTF-16; save the file as UTF-8"))
                return
            file.seek(0)
            rows = self._rows(file)
            line, header = next(rows, (1, None))
            if header is None:
                if not self.faults:
                    self.faults.add(Fault(1, "", "", f"is all there is; expected {','.join(self.columns)}"))
                return
            if not self._read_header(line, header):
                return
            for line, cells in rows:
                if len(cells) != len(self.columns):
                    self._note_wrong_length(line, cells)
                elif self._has_nul:
                    self._note_nul(line, cells)
                else:
                    yield Record(self, line, cells)

    def _read_header(self, line: int, header: list[str]) -> bool:
        """Note what is wrong with the header; return whether the rows can be read."""
        if self._has_nul:
            self.faults.add(Fault(line, "", NUL, "(NUL) is in the header; save the file as UTF-8"))
            return False
        before = len(self.faults)
        seen: set[str] = set()
        for name in header:
            if name not in self.columns:
                known = ", ".join(self.columns)
                self.faults.add(Fault(line, "", name, f"is not a column of this file; expected {known}"))
            elif name in seen:
                self.faults.add(Fault(line, name, name, "is in the header twice"))
            seen.add(name)
        for name in self.columns:
            if name not in header:
                self.faults.add(Fault(line, name, "", "is missing: the header must name every column"))
        self.index = {name: header.index(name) for name in self.columns if name in header}
        return len(self.faults) == before

    def _note_wrong_length(self, line: int, cells: list[str]) -> None:
        expected = len(self.columns)
        if len(cells) < expected:
            by_position = sorted(self.index, key=lambda name: self.index[name])
            message = f"is missing: the row has {len(cells)} of {expected} cells; is the file cut off?"
            self.faults.add(Fault(line, by_position[len(cells)], "", message))
        else:
            message = (
                f"is one cell too many: expected {expected}; put a cell that holds a comma in double quotes"
            )
            self.faults.add(Fault(line, "", cells[expected], message))

    def _note_nul(self, line: int, cells: list[str]) -> None:
        for name, position in self.index.items():
            if NUL in cells[position]:
                where = f"character {cells[position].index(NUL) + 1} of the cell"
                self.faults.add(Fault(line, name, cells[position], f"has a NUL ({where}); remove it"))

    def _rows(self, file: BinaryIO) -> Iterator[tuple[int, list[str]]]:
        """Yield each record's first line and cells; what cannot be read is noted and passed over."""
        reader = csv.reader(self._lines(file), strict=True)
        while True:
            line = reader.line_num + 1
            self._spoilt = self._has_nul = False
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                self.faults.add(Fault(line, "", "", _quoting_fault(str(error), line, reader.line_num)))
                continue
            if cells and not self._spoilt:
                yield line, cells

    def _lines(self, file: BinaryIO) -> Iterator[str]:
        for number, raw in enumerate(self._raw_lines(file), 1):
            if len(raw) > LONGEST_LINE_BYTES:
                self._note_long_line(number)
                yield "\n"
                continue
            plain = raw.removeprefix(BYTE_ORDER_MARK) if number == 1 else raw
            try:
                line = plain.decode("utf-8")
            except UnicodeDecodeError as error:
                self._spoil(number, f"\\x{plain[error.start]:02x}", f"byte {error.start + 1} of the line")
                line = plain.decode("utf-8", "replace")
            self._has_nul = self._has_nul or NUL in line
            self.ends_in_line_break = plain.endswith((b"\n", b"\r"))
            yield line

    def _raw_lines(self, file: BinaryIO) -> Iterator[bytes]:
        """Yield the lines of a file; of a line that is too long, only enough to show that."""
        while raw := file.readline(LONGEST_LINE_BYTES + 1):
            self.progress(len(raw))
            rest = raw
            while len(rest) > LONGEST_LINE_BYTES and not rest.endswith(b"\n"):
                rest = file.readline(LONGEST_LINE_BYTES + 1)
                self.progress(len(rest))
            yield raw

    def _note_long_line(self, line: int) -> None:
        self._spoilt = True
        longest = f"{LONGEST_LINE_BYTES:,} bytes"
        self.faults.add(Fault(line, "", "", f"is a line of more than {longest}; is this a CSV file?"))

    def _spoil(self, line: int, value: str, where: str) -> None:
        self._spoilt = True
        self.faults.add(Fault(line, "", value, f"({where}) is not UTF-8 text; save the file as UTF-8"))


def _quoting_fault(error: str, first: int, last: int) -> str:
    where = f" (read up to line {last})" if last > first else ""
    if "field limit" in error:
        longest = f"{csv.field_size_limit():,} characters"
        return f"has a cell of more than {longest}{where}; is a double quote missing?"
    if "end of data" in error:
        return f"opens a double quote that is never closed{where}; is the file cut off?"
    if "new-line" in error:
        return f"has a bare carriage return{where}; end rows with CRLF or LF"
    return (
        f"has text after a closing double quote{where}; double each quote inside a quoted cell and close it "
        "right before the comma"
    )


def parse_number(text: str) -> Decimal | str:
    """Return the number a cell holds, or what is wrong with it."""
    if not text:
        return "is empty; give a number"
    if not PLAIN_NUMBER.fullmatch(text):
        if GROUPED_NUMBER.fullmatch(text):
            return "has a comma; write a decimal point and no thousands separator, as in 1234.5"
        return "is not a plain number; write digits and a decimal point only, as in 1234.5"
    if len(text) > MOST_DIGITS:
        return f"has more than {MOST_DIGITS} digits"
    return Decimal(text) + 0  # turns -0 into 0


def parse_moment(text: str, zone: tzinfo) -> datetime | str:
    """Return the moment a cell holds in UTC, or what is wrong with it.

    A date alone is the first moment of that day in `zone`, a time without an offset is read by the clocks of
    `zone`. A time that clocks show twice (ISO 8601 has no word for that) is the first of the two.
    """
    expected = "is not an ISO 8601 date or time, as in 2026-03-31 or 2026-03-31T14:05:00"
    if not MOMENT.fullmatch(text):
        return expected
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return expected
    local = moment if moment.tzinfo else moment.replace(tzinfo=zone)
    if found := time_problem(local):
        return found
    instant = local.astimezone(UTC)
    if (
        moment.tzinfo is None
        and len(text) > A_DAY
        and instant.astimezone(zone).replace(tzinfo=None) != moment
    ):
        return f"does not exist: the clocks of {zone} skip it; give the offset, as in +01:00"
    return instant
