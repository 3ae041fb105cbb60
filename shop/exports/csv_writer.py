"""Rows written as CSV (RFC 4180, UTF-8): to a file that appears once it is whole, or to standard output."""

import csv
import re
import secrets
from collections.abc import Generator, Iterable, Sequence
from datetime import date
from decimal import Decimal
from io import TextIOBase
from pathlib import Path
from typing import TextIO

from django.core.management import CommandError

from inventory.documents import starts_a_formula
from shop.common.broken_pipe import quiet_when_nobody_reads

PLAIN_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")


def write_rows(
    out: str | None, header: Sequence[str], rows: Iterable[Sequence[object]], stdout: TextIO | TextIOBase
) -> int:
    """Write `header` and `rows` to the file `out`, or to `stdout` when it is None; return the number of rows.

    Rows are written as they come, so they may be more than fit in memory. Raises CommandError when `out`
    cannot be written; a file that was there before then stays as it was.
    """
    if out is None:
        if reconfigure := getattr(stdout, "reconfigure", None):
            reconfigure(encoding="utf-8", newline="")
        with quiet_when_nobody_reads():
            try:
                return _write(stdout, header, rows)
            finally:
                if isinstance(rows, Generator):
                    rows.close()
    path = Path(out).resolve()
    if not path.parent.is_dir():
        raise CommandError(f"the folder {path.parent} does not exist; make it first")
    if path.exists() and not path.is_file():
        raise CommandError(f"{path} is not a file; name a file to write to")
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as stream:
            written = _write(stream, header, rows)
        part.replace(path)
    except OSError as error:
        raise CommandError(f"{path} cannot be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)
    return written


def _write(stream: TextIO | TextIOBase, header: Sequence[str], rows: Iterable[Sequence[object]]) -> int:
    writer = csv.writer(stream)
    writer.writerow(header)
    written = 0
    for row in rows:
        writer.writerow([cell(value) for value in row])
        written += 1
    return written


def cell(value: object) -> str:
    """Return one value as text: decimals without exponent, dates as ISO 8601, None as nothing.

    Text that a spreadsheet would run as a formula gets an apostrophe in front; a negative number is none.
    Raises TypeError for anything else, floats above all: what is exported has to be exact.
    """
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, str):
        harmless = not starts_a_formula(value) or PLAIN_NUMBER.fullmatch(value)
        return value if harmless else f"'{value}"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int):
        return str(value)
    raise TypeError(f"{value!r} has no exact form in CSV; give text, a Decimal, a whole number or a date")
