"""What a request wrote: nothing at all when it was refused, and books that agree when it was not."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from django.contrib import messages
from django.db import connection, transaction

from shop.integrity import all_checks

WRITES = re.compile(r'\s*(?:INSERT INTO|UPDATE|DELETE FROM|REPLACE INTO)\s+"?(\w+)', re.IGNORECASE)
# Who asked and was refused is kept by design: sign-ins, sessions, letters asked for, refused documents.
KEPT_OF_REFUSALS = (
    "django_session",
    "axes_",
    "shop_device",
    "shop_letterasked",
    "inventory_refuseddocument",
)
LEDGER = ("inventory_", "shop_job")
Rows = list[tuple[Any, ...]]


@dataclass(slots=True)
class Written:
    """The tables that a request wrote to, and what they held when it was answered."""

    tables: set[str] = field(default_factory=set)
    after: dict[str, Rows] = field(default_factory=dict)

    def keep(self) -> None:
        """Keep what the tables hold now, to compare it with what they held before."""
        self.after = {table: rows(table) for table in self.facts}

    def note(self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        """Note a write (an execute wrapper of Django)."""
        if found := WRITES.match(sql):
            self.tables.add(found[1])
        return execute(sql, params, many, context)

    @property
    def facts(self) -> set[str]:
        """The tables that a refusal must leave alone."""
        return {table for table in self.tables if not table.startswith(KEPT_OF_REFUSALS)}

    @property
    def is_of_books(self) -> bool:
        """Return whether stock or the cost of jobs may have changed."""
        return any(table.startswith(LEDGER) for table in self.tables)


class Stored:
    """What the tables hold before anything is asked; read when it is first needed."""

    def __init__(self) -> None:
        self._before: dict[str, Rows] = {}

    @contextmanager
    def undone(self) -> Iterator[Written]:
        """Take back what the block writes, having noted what it was."""
        written = Written()
        with transaction.atomic(), connection.execute_wrapper(written.note):
            yield written
            transaction.set_rollback(True)

    def before(self, table: str) -> Rows:
        """Return what a table holds while nothing is under way."""
        if table not in self._before:
            self._before[table] = rows(table)
        return self._before[table]


def rows(table: str) -> Rows:
    """Return all rows of a table."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")  # noqa: S608 - a table of ours
        return sorted((tuple(row) for row in cursor.fetchall()), key=repr)


def is_refusal(answer: Any) -> bool:
    """Return whether an answer says that nothing was done: a page again, a status of 4xx, or a message."""
    if answer.status_code >= 400:
        return True
    if answer.status_code < 300:
        return True
    kept = getattr(answer.wsgi_request, "_messages", None)
    queued = getattr(kept, "_queued_messages", [])
    return bool(queued) and all(message.level >= messages.ERROR for message in queued)


def disagreements() -> list[str]:
    """Return where the books disagree with themselves."""
    return [str(found) for found in (*all_checks.damage(), *all_checks.disagreements())]
