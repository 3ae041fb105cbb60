"""Reading CSV files strictly: RFC 4180 for the form, ISO 8601 for dates."""

import csv
import tracemalloc
from datetime import UTC, datetime
from decimal import Decimal
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.imports.csv_reader import (
    LONGEST_LINE_BYTES,
    MOST_NAMED,
    CsvFile,
    Fault,
    Faults,
    parse_moment,
    parse_number,
)

LISBON = ZoneInfo("Europe/Lisbon")
BEIRUT = ZoneInfo("Asia/Beirut")


def read(folder: Path, content: bytes) -> tuple[list[tuple[int, str, str]], list[Fault]]:
    path = folder / "file.csv"
    path.write_bytes(content)
    faults = Faults()
    records = [
        (record.line, record.raw("code"), record.raw("name"))
        for record in CsvFile(path, ("code", "name"), UTC, faults)
    ]
    assert not faults.more
    return records, faults.named


@pytest.mark.parametrize(
    "content",
    [
        b"code,name\nA,first\n",
        b"code,name\r\nA,first\r\n",
        b"code,name\nA,first",  # RFC 4180 section 2.2: the last record may or may not have a line break
        b"\xef\xbb\xbfcode,name\nA,first\n",
        b'"code","name"\n"A","first"\n',
        b"name,code\nfirst,A\n",
    ],
)
def test_all_forms_of_the_same_table_read_the_same(tmp_path: Path, content: bytes) -> None:
    assert read(tmp_path, content) == ([(2, "A", "first")], [])


def test_empty_lines_are_passed_over_and_line_numbers_stay_those_of_the_file(tmp_path: Path) -> None:
    assert read(tmp_path, b"code,name\n\nA,x\n\r\n\nB,y\n") == ([(3, "A", "x"), (6, "B", "y")], [])


def test_a_record_over_several_lines_is_named_by_its_first(tmp_path: Path) -> None:
    records, faults = read(tmp_path, b'code,name\nA,"one\ntwo ""quoted"",\nthree"\nB,y\nC\n')
    assert records == [(2, "A", 'one\ntwo "quoted",\nthree'), (5, "B", "y")]
    assert [(fault.line, fault.column) for fault in faults] == [(6, "name")]


@pytest.mark.parametrize(
    ("content", "line", "column", "words"),
    [
        (b"", 1, "", "expected code,name"),
        (b"\n\n", 1, "", "expected code,name"),
        (b"code\nA\n", 1, "name", "is missing"),
        (b"code,name,colour\nA,x,red\n", 1, "", "is not a column"),
        (b"code,name,name\nA,x,x\n", 1, "name", "twice"),
        (b"Code,name\nA,x\n", 1, "", "is not a column"),
        (b"code,name\nA\n", 2, "name", "cut off"),
        (b"code,name\nA,x,y\n", 2, "", "one cell too many"),
        (b'code,name\nA,x\nB,"y\n', 3, "", "never closed"),
        (b'code,name\nA,"x"y\nB,z\n', 2, "", "after a closing double quote"),
        (b"code,name\nA,x\rB,y\r", 2, "", "carriage return"),
        (b"code,name\nA,M\xfcller\n", 2, "", "save the file as UTF-8"),
        (b"code,name\nA,x\x00y\n", 2, "name", "has a NUL (character 2 of the cell)"),
        (b"code,name\nA," + b"x" * 200_000 + b"\n", 2, "", "has a cell of more than 131,072 characters"),
        ("code,name\nA,x\n".encode("utf-16"), 1, "", "save the file as UTF-8"),
        (b"\xfe\xff" + "code,name\nA,x\n".encode("utf-16-be"), 1, "", "in UTF-16"),
        ("code,name\nA,x\n".encode("utf-16-le"), 1, "", "(NUL) is in the header"),
        (b"PK\x03\x04\x14\x00\x06\x00\x08\x00\xff\n", 1, "", "save the file as UTF-8"),
    ],
)
def test_a_damaged_file_is_told_where(
    tmp_path: Path, content: bytes, line: int, column: str, words: str
) -> None:
    _, faults = read(tmp_path, content)
    assert faults
    assert (faults[0].line, faults[0].column) == (line, column)
    assert words in str(faults[0])


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_a_file_in_utf_16_is_one_fault(tmp_path: Path, encoding: str) -> None:
    _, faults = read(tmp_path, "code,name\nA,x\nB,y\n".encode(encoding))
    assert len(faults) == 1


def test_a_line_of_no_csv_file_is_passed_over_without_being_held(tmp_path: Path) -> None:
    longest = b"A," + b"x" * (LONGEST_LINE_BYTES - 3) + b"\n"
    path = tmp_path / "file.csv"
    with path.open("wb") as file:
        file.write(b"code,name\n" + longest)
        file.writelines(b"x" * LONGEST_LINE_BYTES for _ in range(30))
        file.write(b"x\nB,y\n")
    faults = Faults()
    read_bytes: list[int] = []
    tracemalloc.start()
    records = [record.line for record in CsvFile(path, ("code", "name"), UTC, faults, read_bytes.append)]
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert records == [4]
    assert [(fault.line, fault.expected.split(";")[0]) for fault in faults.named] == [
        (2, "has a cell of more than 131,072 characters"),
        (3, "is a line of more than 1,000,000 bytes"),
    ]
    assert sum(read_bytes) == path.stat().st_size
    assert peak_bytes < 10 * LONGEST_LINE_BYTES


@given(st.lists(st.integers(1, 400), max_size=400))
def test_the_first_faults_are_named_and_the_others_counted_with_their_rows(lines: list[int]) -> None:
    faults = Faults()
    faults.extend(Fault(line, "code", "x", "is wrong") for line in lines)
    in_order = sorted(lines)
    assert [fault.line for fault in faults.named] == in_order[:MOST_NAMED]
    assert (faults.more, faults.more_rows) == (len(in_order[MOST_NAMED:]), len(set(in_order[MOST_NAMED:])))
    assert len(faults) == len(lines)


def test_reading_goes_on_after_a_fault(tmp_path: Path) -> None:
    records, faults = read(tmp_path, b'code,name\nA\nB,\xff\nC,"x"y\nD,z\nE,1,2\n')
    assert records == [(5, "D", "z")]
    assert sorted(fault.line for fault in faults) == [2, 3, 4, 6]


PIECES = [b"code,name\n", b"A,x", b"\n", b"\r", b'"', b",", b"\0", b"\xff", b"\xc3\xa9"]


@given(st.lists(st.sampled_from(PIECES)).map(b"".join))
def test_no_bytes_break_the_reading_and_every_line_named_is_in_the_file(content: bytes) -> None:
    with TemporaryDirectory() as folder:
        records, faults = read(Path(folder), content)
    lines = [line for line, _, _ in records] + [fault.line for fault in faults]
    assert all(1 <= line <= content.count(b"\n") + 1 for line in lines)
    assert faults or content.lstrip(b"\r\n").startswith(b"code,name\n")


cells = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=8)


@given(st.lists(st.tuples(cells, cells)), st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL]))
def test_what_a_csv_writer_wrote_is_read_back(rows: list[tuple[str, str]], quoting: Any) -> None:
    text = StringIO()
    csv.writer(text, quoting=quoting).writerows([("code", "name"), *rows])
    with TemporaryDirectory() as folder:
        records, faults = read(Path(folder), text.getvalue().encode())
    assert not faults
    assert [(code, name) for _, code, name in records] == rows


@pytest.mark.parametrize(
    ("text", "number"), [("0", "0"), ("12", "12"), ("12.50", "12.5"), ("-3", "-3"), ("-0", "0"), ("007", "7")]
)
def test_plain_numbers_are_read_exactly(text: str, number: str) -> None:
    assert str(parse_number(text)) in (number, f"{number}0")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("1,5", "decimal point"),
        ("1.234,5", "decimal point"),
        ("1,000", "no thousands separator"),
        *(
            (text, "is not a plain number")
            for text in (
                "NaN",
                "Infinity",
                "-inf",
                "1e5",
                "1_000",
                "+1",
                " 1",
                "1 ",
                "\u0663",
                "\uff11",
                "0x1",
                ".5",
                "5.",
            )
        ),
        ("=1+1", "is not a plain number"),
        ("1\n", "is not a plain number"),
        ("1" * 26, "digits"),
        ("1." + "0" * 30 + "1", "digits"),
    ],
)
def test_what_only_looks_like_a_number_is_refused(text: str, words: str) -> None:
    found = parse_number(text)
    assert isinstance(found, str)
    assert words in found


@given(st.decimals(-(10**12), 10**12, places=4))
def test_every_number_written_plainly_is_read_back(number: Decimal) -> None:
    assert parse_number(f"{number:f}") == number


@given(st.text(max_size=30))
def test_no_text_breaks_the_parsers(text: str) -> None:
    assert isinstance(parse_number(text), Decimal | str)
    assert isinstance(parse_moment(text, LISBON), datetime | str)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        # Lisbon keeps UTC in winter and UTC+1 in summer (tz database).
        ("2026-01-15", datetime(2026, 1, 15, tzinfo=UTC)),
        ("2026-07-15", datetime(2026, 7, 14, 23, tzinfo=UTC)),
        ("2026-07-15T10:30", datetime(2026, 7, 15, 9, 30, tzinfo=UTC)),
        ("2026-07-15 10:30:05", datetime(2026, 7, 15, 9, 30, 5, tzinfo=UTC)),
        ("2026-07-15T10:30:05.25Z", datetime(2026, 7, 15, 10, 30, 5, 250_000, tzinfo=UTC)),
        ("2026-07-15T10:30:05+02:00", datetime(2026, 7, 15, 8, 30, 5, tzinfo=UTC)),
        # Clocks went back at 02:00 on 25 October 2026: 01:30 is shown twice, the first is in summer time.
        ("2026-10-25T01:30:00", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    ],
)
def test_moments_are_read_by_the_clocks_of_the_shop(text: str, moment: datetime) -> None:
    assert parse_moment(text, LISBON) == moment


def test_a_time_that_clocks_skip_is_refused_but_a_day_that_starts_late_is_not() -> None:
    # Lisbon: 01:00 became 02:00 on 29 March 2026. Beirut: 00:00 became 01:00 on that day (tz database).
    assert "does not exist" in str(parse_moment("2026-03-29T01:30:00", LISBON))
    assert parse_moment("2026-03-29T01:30:00+01:00", LISBON) == datetime(2026, 3, 29, 0, 30, tzinfo=UTC)
    assert parse_moment("2026-03-29", BEIRUT) == datetime(2026, 3, 28, 22, tzinfo=UTC)
    assert "does not exist" in str(parse_moment("2026-03-29T00:00", BEIRUT))


@pytest.mark.parametrize(
    "text",
    [
        *("", "31/03/2026", "2026-3-31", "20260331", "2026-02-30", "2026-W14-2", "2026-03-31T25:00", "46112"),
        *("2026-03-31T10", "2026-03-31x10:00", " 2026-03-31", "\uff12026-03-31", "2026-03-31T10:00:60"),
        *("1999-12-31", "9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00", "2026-03-31T10:00+99:00"),
    ],
)
def test_what_is_no_moment_of_the_books_is_refused(text: str) -> None:
    assert isinstance(parse_moment(text, LISBON), str)
