"""Triggers that make the ledger append-only in the database itself, whoever writes to it."""

from django.db.backends.base.base import BaseDatabaseWrapper

TABLES = ("inventory_document", "inventory_movement", "inventory_countline", "inventory_periodchange")
MESSAGE = "the ledger is append-only: post a correction instead"


def install(connection: BaseDatabaseWrapper) -> None:
    """Make the database refuse UPDATE, DELETE and (PostgreSQL) TRUNCATE on the ledger's tables."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION inventory_append_only() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION '{MESSAGE}' USING ERRCODE = 'restrict_violation'; END $$"
            )
        for table in TABLES:
            if connection.vendor == "postgresql":
                cursor.execute(
                    f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                    "FOR EACH STATEMENT EXECUTE FUNCTION inventory_append_only()"
                )
            elif connection.vendor == "sqlite":
                for action in ("UPDATE", "DELETE"):
                    cursor.execute(
                        f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
                        f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END"
                    )
            else:
                raise NotImplementedError(
                    f"no append-only triggers for {connection.vendor}; use SQLite or PostgreSQL"
                )


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take the triggers away again: for migrations of these tables and for emptying a test database."""
    with connection.cursor() as cursor:
        for table in TABLES:
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_append_only ON {table}")
            else:
                for action in ("update", "delete"):
                    cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_{action}")
