"""A bad file ends: its first faults are named, others counted; neither memory nor output grows with it."""

import os
import pty
import re
import subprocess
import sys
import termios
import tracemalloc
from pathlib import Path

import pytest

from inventory.models import Supplier
from shop.imports.context import MOST_CREATED, Rejected
from shop.imports.csv_reader import MOST_NAMED
from shop.imports.run import import_file
from tests.servers import PROJECT
from tests.shop.csv_import import HEADERS, Imports

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

ROWS = 300
COUNTED = re.compile(r"and ([\d,]+) more faults? in ([\d,]+) rows?(, not counting .*)?")
# Faults in two cells, in the number of cells, in the quoting, and in the encoding.
BAD_ROWS = ("={n},x,,yesterday", '"{n}"x', "\udcff{n}")


def numbers(line: str) -> tuple[int, int]:
    found = COUNTED.fullmatch(line)
    assert found, line
    return int(found[1].replace(",", "")), int(found[2].replace(",", ""))


@pytest.fixture
def imports(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Imports:
    """Return a way to import texts into a shop that knows a disc."""
    imports = Imports(tmp_path, capsys)
    imports("consumables", "D-P240,Disc,counted,each,P240,,")
    return imports


def all_cells_wrong(kind: str, number: int) -> str:
    return ",".join(f"={number}" for _ in HEADERS[kind].split(","))


@pytest.mark.parametrize("kind", sorted(HEADERS))
def test_of_a_file_of_bad_rows_the_first_faults_are_named_and_the_others_counted(
    imports: Imports, kind: str
) -> None:
    by_row = len(imports.faults(kind, all_cells_wrong(kind, 1), flags=()))
    assert by_row > 1
    *named, last, end = [
        *imports.faults(kind, *(all_cells_wrong(kind, number) for number in range(ROWS)), flags=()),
        "",
    ]
    assert end == ""
    assert len(named) == MOST_NAMED
    assert numbers(last) == (by_row * ROWS - MOST_NAMED, ROWS - MOST_NAMED // by_row)


def test_the_end_says_how_many_faults_there_are_in_all(imports: Imports, tmp_path: Path) -> None:
    imports.faults("uses", *("J1,D-P240,x," for _ in range(ROWS)))
    with pytest.raises(Rejected) as rejected:
        import_file("uses", imports.path)
    assert rejected.value.count == ROWS
    assert len(str(rejected.value)) < 200 * MOST_NAMED


def test_faults_that_show_only_beside_the_books_end_too(imports: Imports) -> None:
    def receipt(number: int, quantity: int) -> str:
        return f"R{number},2026-03-01,ACME,DEPOT,D-P240,{quantity},50,5"

    def job(number: int, price: int, callback_of: str = "") -> str:
        return f"J{number},VAN-1,ANA,2026-03-02,polish,scratch,laminated,,{price},90,20,removed,{callback_of}"

    some = range(ROWS)
    imports("receipts", *(receipt(number, 10) for number in some))
    imports("jobs", *(job(number, 100) for number in some))
    imports("uses", *(f"J{number},D-P240,1,5" for number in some))
    tried = {
        "receipts": [receipt(number, 11) for number in some],
        "jobs": [job(number, 101) for number in some],
        "uses": [f"J{number},D-P240,2,5" for number in some],
    }
    for kind, rows in tried.items():
        *named, last = imports.faults(kind, *rows)
        assert len(named) == MOST_NAMED, kind
        assert numbers(last) == (ROWS - MOST_NAMED, ROWS - MOST_NAMED), kind
    for kind, rows in {
        "jobs": [job(number + ROWS, 100, f"N{number}") for number in some],
        "uses": [f"N{number},D-P240,1,5" for number in some],
    }.items():
        *named, last = imports.faults(kind, *rows, flags=())
        assert numbers(last) == (ROWS - MOST_NAMED, ROWS - MOST_NAMED), kind


def test_what_was_not_compared_any_more_is_said(imports: Imports) -> None:
    row = "C1,2026-03-05,DEPOT,D-P240,7"
    *named, last = imports.faults("counts", *[row] * ROWS)
    assert len(named) == MOST_NAMED
    assert last == ("and 1 more fault in 1 row, not counting what shows only beside other rows or the books")


def test_codes_that_a_file_makes_are_named_as_far_as_anyone_reads(imports: Imports) -> None:
    out = imports(
        "receipts", *(f"R{number},2026-03-01,S{number:03d},D,D-P240,1,1,0" for number in range(ROWS))
    )
    assert Supplier.objects.count() == ROWS
    (line,) = [line for line in out.splitlines() if line.startswith("created supplier: ")]
    assert line.endswith(f"S{MOST_CREATED - 1:03d} and {ROWS - MOST_CREATED} more")


def test_memory_does_not_grow_with_the_rows_of_a_bad_file(imports: Imports) -> None:
    """Valid rows after the last fault that is named are not held either, nor codes nor numbers."""
    peaks_bytes = {}
    for rows in (1_000, 12_000):
        with imports.path.open("w", encoding="utf-8", errors="surrogateescape") as file:
            file.write(HEADERS["receipts"] + "\n")
            file.writelines(BAD_ROWS[number % 3].format(n=number) + "\n" for number in range(rows))
            file.writelines(
                f"R{number},2026-03-01,S{number},P{number},D-P240,{number + 1},{number}.5,0\n"
                for number in range(rows)
            )
        tracemalloc.start()
        with pytest.raises(Rejected) as rejected:
            import_file("receipts", imports.path, create_missing=True)
        _, peaks_bytes[rows] = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert rejected.value.count >= rows
    assert peaks_bytes[12_000] < peaks_bytes[1_000] + 2_500_000, peaks_bytes


def test_a_terminal_shows_how_far_the_reading_is(migrated_sqlite_url: str, tmp_path: Path) -> None:
    path = tmp_path / "uses.csv"
    path.write_text(HEADERS["uses"] + "\n" + "J1,D-P240,x,\n" * 40_000, encoding="utf-8")
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, 80))
    process = subprocess.Popen(
        [sys.executable, "manage.py", "import_csv", "uses", str(path)],
        cwd=PROJECT,
        env={**os.environ, "DATABASE_URL": migrated_sqlite_url},
        stderr=theirs,
    )
    os.close(theirs)
    shown = b""
    try:
        while more := os.read(ours, 65536):
            shown += more
    except OSError:
        pass  # how Linux says that the other end of a terminal was closed
    finally:
        os.close(ours)
    assert process.wait() == 1
    shares = {int(share) for share in re.findall(rb"reading uses: +(\d+)%", shown)}
    assert any(0 < share < 100 for share in shares), shown[:2000]
