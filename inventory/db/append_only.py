"""Triggers that make the ledger append-only in the database itself, for every writer."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from django.db.backends.base.base import BaseDatabaseWrapper

# Each guarded table with its keys: the row a replacing insert would overwrite has one of them.
KEYS = {
    "inventory_document": (("id",), ("kind", "client_id"), ("corrects_id",)),
    "inventory_movement": (("id",), ("document_id", "line", "part")),
    "inventory_countline": (("id",), ("document_id", "line")),
    "inventory_periodchange": (("id",),),
}
TABLES = tuple(KEYS)
MESSAGE = "the ledger is append-only: post a correction instead"

Keys = Mapping[str, Sequence[tuple[str, ...]]]


@dataclass(frozen=True, slots=True)
class Guards:
    """The tables that an app guards, and what their triggers say.

    `updates` gives the condition under which a table may be updated after all, in terms of OLD and NEW.
    """

    app: str
    keys: Keys
    message: str
    updates: Mapping[str, str] = field(default_factory=dict)

    def install(self, connection: BaseDatabaseWrapper) -> None:
        """Make the database refuse to change or delete rows of the tables.

        That is UPDATE and DELETE, on PostgreSQL TRUNCATE, and on SQLite INSERT OR REPLACE, which would
        delete without a word.
        """
        with connection.cursor() as cursor:
            for statement in self._statements(connection.vendor):
                cursor.execute(statement)

    def remove(self, connection: BaseDatabaseWrapper) -> None:
        """Take the triggers away again: for migrations of these tables and for emptying a test database."""
        with connection.cursor() as cursor:
            for table in self.keys:
                if connection.vendor == "postgresql":
                    for what in ("append_only", "update"):
                        cursor.execute(f"DROP TRIGGER IF EXISTS {table}_{what} ON {table}")
                else:
                    for what in ("update", "delete", "replace"):
                        cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_{what}")

    def _statements(self, vendor: str) -> Iterator[str]:
        if vendor == "postgresql":
            yield from self._for_postgresql()
        elif vendor == "sqlite":
            yield from self._for_sqlite()
        else:
            raise NotImplementedError(f"no append-only triggers for {vendor}; use SQLite or PostgreSQL")

    def _for_postgresql(self) -> Iterator[str]:
        function = f"{self.app}_append_only()"
        yield (
            f"CREATE OR REPLACE FUNCTION {function} RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{self.message}' USING ERRCODE = 'restrict_violation'; END $$"
        )
        for table in self.keys:
            allowed = self.updates.get(table)
            what = "DELETE OR TRUNCATE" if allowed else "UPDATE OR DELETE OR TRUNCATE"
            yield (
                f"CREATE TRIGGER {table}_append_only BEFORE {what} ON {table} "
                f"FOR EACH STATEMENT EXECUTE FUNCTION {function}"
            )
            if allowed:
                yield (
                    f"CREATE TRIGGER {table}_update BEFORE UPDATE ON {table} FOR EACH ROW "
                    f"WHEN (NOT ({allowed})) EXECUTE FUNCTION {function}"
                )

    def _for_sqlite(self) -> Iterator[str]:
        refuse = f"BEGIN SELECT RAISE(ABORT, '{self.message}'); END"
        for table, keys in self.keys.items():
            allowed = self.updates.get(table)
            when = f"WHEN NOT ({allowed}) " if allowed else ""
            yield f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {when}{refuse}"
            yield f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {refuse}"
            yield (
                f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
                f"WHEN {' OR '.join(_taken(table, key) for key in keys)} {refuse}"
            )


LEDGER = Guards("inventory", KEYS, MESSAGE)


def install(connection: BaseDatabaseWrapper) -> None:
    """Guard the ledger's tables."""
    LEDGER.install(connection)


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take the guards of the ledger's tables away."""
    LEDGER.remove(connection)


def _taken(table: str, key: tuple[str, ...]) -> str:
    same = " AND ".join(f"{column} = NEW.{column}" for column in key)
    return f"EXISTS (SELECT 1 FROM {table} WHERE {same})"  # noqa: S608 - the names are above
