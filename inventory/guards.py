"""Triggers that make the ledger append-only in the database itself, whoever writes to it."""

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


def install(connection: BaseDatabaseWrapper) -> None:
    """Make the database refuse to change or delete rows of the ledger's tables.

    That is UPDATE and DELETE, on PostgreSQL TRUNCATE, and on SQLite INSERT OR REPLACE, which would delete
    without a word.
    """
    with connection.cursor() as cursor:
        for statement in _statements(connection.vendor):
            cursor.execute(statement)


def _statements(vendor: str) -> list[str]:
    if vendor == "postgresql":
        return [
            (
                "CREATE OR REPLACE FUNCTION inventory_append_only() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION '{MESSAGE}' USING ERRCODE = 'restrict_violation'; END $$"
            ),
            *(
                f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION inventory_append_only()"
                for table in TABLES
            ),
        ]
    if vendor == "sqlite":
        refuse = f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END"
        return [
            statement
            for table, keys in KEYS.items()
            for statement in (
                f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {refuse}",
                f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {refuse}",
                (
                    f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
                    f"WHEN {' OR '.join(_taken(table, key) for key in keys)} {refuse}"
                ),
            )
        ]
    raise NotImplementedError(f"no append-only triggers for {vendor}; use SQLite or PostgreSQL")


def _taken(table: str, key: tuple[str, ...]) -> str:
    same = " AND ".join(f"{column} = NEW.{column}" for column in key)
    return f"EXISTS (SELECT 1 FROM {table} WHERE {same})"  # noqa: S608 - the names are above


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take the triggers away again: for migrations of these tables and for emptying a test database."""
    with connection.cursor() as cursor:
        for table in TABLES:
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_append_only ON {table}")
            else:
                for what in ("update", "delete", "replace"):
                    cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_{what}")
