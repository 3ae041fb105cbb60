"""Rows of uses kept on disk while a file is looked at, so that memory does not grow with the file."""

import sqlite3
import weakref
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from itertools import groupby, islice
from operator import itemgetter

from shop.jobs.close_data import UsedLine

ROWS_AT_ONCE = 1000
CACHE_KIB = 4_000
# Both tables are kept in the order in which they are read: a walk over them needs no memory for sorting.
TABLES = """
CREATE TABLE job (id INTEGER PRIMARY KEY, reference TEXT UNIQUE);
CREATE TABLE found (
    job INTEGER, line INTEGER, consumable TEXT, quantity TEXT, minutes TEXT, PRIMARY KEY (job, line)
) WITHOUT ROWID;
CREATE TABLE new (
    closed_at TEXT, job TEXT, line INTEGER, consumable TEXT, quantity TEXT, minutes TEXT,
    PRIMARY KEY (closed_at, job, line)
) WITHOUT ROWID;
"""
NOT_CLOSED = ""


@dataclass(frozen=True, slots=True)
class UseRow:
    """One row of the file."""

    line: int
    consumable: str
    quantity: Decimal
    minutes: Decimal

    def content(self) -> tuple[Decimal, Decimal]:
        """Return what lines of one consumable are compared by."""
        return self.quantity, self.minutes

    def used(self) -> UsedLine:
        """Return the row as a line of a job's uses."""
        return UsedLine(self.consumable, self.quantity, self.minutes)


class UseRows:
    """The rows of a file by job, and those of them that are new: in a private database that ends with it."""

    def __init__(self) -> None:
        self._held: list[tuple[str, UseRow]] = []
        self._stored: sqlite3.Connection | None = None

    @property
    def _database(self) -> sqlite3.Connection:
        """The database: a file without a name, made once there is more than a few rows."""
        if self._stored is None:
            self._stored = sqlite3.connect("", isolation_level=None)
            self._stored.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            for pragma in ("journal_mode = OFF", "synchronous = OFF"):
                self._stored.execute(f"PRAGMA {pragma}")
            self._stored.executescript(TABLES)
            weakref.finalize(self, self._stored.close)
        return self._stored

    def add(self, job: str, row: UseRow) -> None:
        """Keep a row of a job."""
        self._held.append((job, row))
        if len(self._held) >= ROWS_AT_ONCE:
            self._store()

    def _store(self) -> None:
        held, self._held = self._held, []
        jobs = dict.fromkeys(job for job, _ in held)
        database = self._database
        database.execute("BEGIN")
        database.executemany("INSERT OR IGNORE INTO job (reference) VALUES (?)", ((job,) for job in jobs))
        numbers = {
            job: database.execute("SELECT id FROM job WHERE reference = ?", (job,)).fetchone()[0]
            for job in jobs
        }
        database.executemany(
            "INSERT INTO found VALUES (?, ?, ?, ?, ?)", ((numbers[job], *_cells(row)) for job, row in held)
        )
        database.execute("COMMIT")

    def count_jobs(self) -> int:
        """Return the number of jobs."""
        self._store()
        return int(self._database.execute("SELECT COUNT(*) FROM job").fetchone()[0])

    def jobs(self, at_once: int = ROWS_AT_ONCE) -> Iterator[dict[str, list[UseRow]]]:
        """Yield the rows by job, some jobs at a time, in the order in which the file first names each."""
        self._store()
        rows = self._database.execute(
            "SELECT reference, line, consumable, quantity, minutes FROM found JOIN job ON job.id = found.job "
            "ORDER BY found.job, line"
        )
        by_job = ((job, _rows(of_job)) for job, of_job in groupby(rows, key=itemgetter(0)))
        # One transaction for all new rows that are found on the way.
        self._database.execute("BEGIN")
        while some := dict(islice(by_job, at_once)):
            yield some
        self._database.execute("COMMIT")

    def add_new(self, job: str, rows: Sequence[UseRow], closed_at: datetime | None) -> None:
        """Keep rows that are to be posted, or to wait when their job is not closed."""
        closed = closed_at.astimezone(UTC).isoformat(timespec="microseconds") if closed_at else NOT_CLOSED
        self._database.executemany(
            "INSERT INTO new VALUES (?, ?, ?, ?, ?, ?)", ((closed, job, *_cells(row)) for row in rows)
        )

    def count_new_jobs(self) -> int:
        """Return the number of closed jobs with new rows."""
        found = self._database.execute("SELECT COUNT(DISTINCT job) FROM new WHERE closed_at > ''")
        return int(found.fetchone()[0])

    def to_post(self) -> Iterator[tuple[str, list[UsedLine]]]:
        """Yield the new lines of each closed job, those closed first first."""
        return self._new("closed_at > ''")

    def to_keep(self) -> Iterator[tuple[str, list[UsedLine]]]:
        """Yield the new lines of each job that is not closed."""
        return self._new("closed_at = ''")

    def _new(self, which: str) -> Iterator[tuple[str, list[UsedLine]]]:
        rows = self._database.execute(
            f"SELECT job, line, consumable, quantity, minutes FROM new WHERE {which} "  # noqa: S608
            "ORDER BY closed_at, job, line"
        )
        for job, of_job in groupby(rows, key=itemgetter(0)):
            yield job, [row.used() for row in _rows(of_job)]


def _cells(row: UseRow) -> tuple[int, str, str, str]:
    return row.line, row.consumable, f"{row.quantity:f}", f"{row.minutes:f}"


def _rows(cells: Iterable[tuple[str, int, str, str, str]]) -> list[UseRow]:
    return [
        UseRow(line, consumable, Decimal(quantity), Decimal(minutes))
        for _, line, consumable, quantity, minutes in cells
    ]
