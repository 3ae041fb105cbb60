"""Rows sent as a CSV file (RFC 4180) while they are read, so that they may be more than fit in memory."""

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence
from io import StringIO

from django.http import StreamingHttpResponse

from inventory.db.repeatable_read import one_snapshot
from shop.exports.csv_writer import cell
from shop.exports.download import as_attachment

# Rows per piece sent.
PIECE = 500


def csv_response(
    name: str, header: Sequence[str], rows: Callable[[], Iterable[Sequence[object]]]
) -> StreamingHttpResponse:
    """Return a download called `name`; `rows` is called once sending begins, and reads as of one moment."""
    answer = StreamingHttpResponse(_pieces(header, rows), content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = as_attachment(name)
    return answer


def _pieces(header: Sequence[str], rows: Callable[[], Iterable[Sequence[object]]]) -> Iterator[str]:
    written = StringIO()
    writer = csv.writer(written)
    writer.writerow(header)
    with one_snapshot():
        for number, row in enumerate(rows(), start=1):
            writer.writerow([cell(value) for value in row])
            if number % PIECE == 0:
                yield _taken(written)
    yield _taken(written)


def _taken(written: StringIO) -> str:
    """Return what was written since the last time."""
    text = written.getvalue()
    written.seek(0)
    written.truncate()
    return text
