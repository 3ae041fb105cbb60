"""CSV as written: RFC 4180, safe to open in a spreadsheet, and never half a file."""

import csv
import io
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from django.core.management import CommandError
from hypothesis import given
from hypothesis import strategies as st

from inventory.documents import FORMULA_STARTS
from shop.exports.csv_writer import cell, write_rows


def test_lines_end_in_crlf_and_only_cells_that_need_quotes_have_them() -> None:
    """RFC 4180 section 2, rules 1, 2, 6 and 7."""
    out = io.StringIO()
    assert write_rows(None, ["a", "b"], [["x,y", 'say "so"'], ["two\r\nlines", "plain"]], out) == 2
    assert out.getvalue() == 'a,b\r\n"x,y","say ""so"""\r\n"two\r\nlines",plain\r\n'


def test_values_are_written_plainly() -> None:
    values = [
        Decimal("1E+2"),
        Decimal("-0.5000"),
        7,
        None,
        date(2026, 1, 2),
        datetime(2026, 1, 2, tzinfo=UTC),
    ]
    assert [cell(value) for value in values] == [
        "100",
        "-0.5000",
        "7",
        "",
        "2026-01-02",
        "2026-01-02T00:00:00+00:00",
    ]


def test_a_float_is_refused_since_its_digits_would_be_guessed() -> None:
    with pytest.raises(TypeError, match="exact form"):
        cell(0.1)


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1+1", "-", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "-1e5", "--1", "-1.", "-1\n"]
)
def test_a_formula_is_neutralised(text: str) -> None:
    assert cell(text) == f"'{text}"


@pytest.mark.parametrize("text", ["-12.0000", "-3", "12", "P400", "'=1", ""])
def test_numbers_and_harmless_text_stay_as_they_are(text: str) -> None:
    assert cell(text) == text


@given(st.text() | st.tuples(st.sampled_from(FORMULA_STARTS), st.text()).map("".join))
def test_no_text_cell_starts_as_a_formula_and_other_text_is_kept(text: str) -> None:
    written = cell(text)
    assert not written.startswith(FORMULA_STARTS) or re.fullmatch(r"-[0-9]+(\.[0-9]+)?", written)
    assert written in (text, f"'{text}")


@given(st.lists(st.lists(st.text(st.characters(exclude_categories=["Cs", "Cc"])), min_size=2, max_size=2)))
def test_what_was_written_reads_back(rows: list[list[str]]) -> None:
    out = io.StringIO()
    write_rows(None, ["a", "b"], rows, out)
    assert list(csv.reader(io.StringIO(out.getvalue(), newline="")))[1:] == [
        [cell(text) for text in row] for row in rows
    ]


def test_a_file_is_written_whole_in_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "stock.csv"
    assert write_rows(str(path), ["name"], [["Größe"]], io.StringIO()) == 1
    assert path.read_bytes() == "name\r\nGröße\r\n".encode()
    assert list(tmp_path.iterdir()) == [path]


def test_a_failure_half_way_leaves_the_file_that_was_there(tmp_path: Path) -> None:
    path = tmp_path / "stock.csv"
    path.write_text("before", encoding="utf-8")

    def failing() -> Iterator[list[str]]:
        yield ["first"]
        raise RuntimeError("the database went away")

    with pytest.raises(RuntimeError, match="went away"):
        write_rows(str(path), ["name"], failing(), io.StringIO())
    assert path.read_text(encoding="utf-8") == "before"
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_folder_and_a_folder_in_place_of_a_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="missing does not exist; make it first"):
        write_rows(str(tmp_path / "missing" / "stock.csv"), ["a"], [], io.StringIO())
    with pytest.raises(CommandError, match="is not a file"):
        write_rows(str(tmp_path), ["a"], [], io.StringIO())
