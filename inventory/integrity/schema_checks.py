"""What every other check rests on: rows that others point to, JSON that can be read, places and books."""

from collections.abc import Iterator
from functools import cache

from django.apps import apps
from django.db import connection, models

from inventory.integrity.stock_checks import Disagreement
from inventory.models import OUTSIDE_CODES, Books, Place, PlaceKind


def foundation_disagreements() -> Iterator[Disagreement]:
    """Yield faults so basic that other checks would fail on them."""
    # PostgreSQL enforces keys and reads JSON when it is written; an SQLite file can be edited without either.
    if connection.vendor == "sqlite":
        yield from _dangling_keys()
        yield from _unreadable_json()
    yield from _places()
    if not Books.objects.exists():
        yield Disagreement("books", "how the ledger is kept", "none", "one row")


def _dangling_keys() -> Iterator[Disagreement]:
    """Yield rows that point to a row which is not there."""
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA foreign_key_check")
        for table, row, parent, key in cursor.cursor:
            column = _columns(table)[key]
            yield Disagreement(
                "key", f"{table} row {row}", f"{column} {_stored(table, column, row)}", f"a row of {parent}"
            )


@cache
def _columns(table: str) -> dict[int, str]:
    """Return the column of each foreign key of a table, by the number SQLite gives the key."""
    with connection.cursor() as cursor:
        cursor.execute(f"PRAGMA foreign_key_list({connection.ops.quote_name(table)})")
        return {row[0]: row[3] for row in cursor.fetchall()}


def _stored(table: str, column: str, row: int) -> object:
    quote = connection.ops.quote_name
    with connection.cursor() as cursor:
        # The names are of our own tables.
        cursor.execute(f"SELECT {quote(column)} FROM {quote(table)} WHERE rowid = %s", [row])  # noqa: S608
        found: tuple[object, ...] = cursor.fetchone()
        return found[0]


def _unreadable_json() -> Iterator[Disagreement]:
    """Yield rows whose JSON cannot be read; Django would fail at reading any query that has one."""
    quote = connection.ops.quote_name
    for model in apps.get_models():
        table = model._meta.db_table
        for field in model._meta.concrete_fields:
            if not isinstance(field, models.JSONField):
                continue
            column, key = quote(str(field.column)), quote(str(model._meta.pk.column))
            with connection.cursor() as cursor:
                cursor.execute(
                    f"SELECT {key} FROM {quote(table)} "  # noqa: S608 - the names are of our own tables
                    f"WHERE {column} IS NOT NULL AND NOT json_valid({column}) ORDER BY {key}"
                )
                for (row,) in cursor.cursor:
                    where = f"{table} row {row}"
                    yield Disagreement(field.name, where, "text that is not JSON", "JSON")


def _places() -> Iterator[Disagreement]:
    """Yield places of a kind that means nothing, and outside places that are missing or there twice."""
    kinds = []
    for code, kind in Place.objects.values_list("code", "kind"):
        kinds.append(kind)
        if kind not in PlaceKind.values:
            yield Disagreement("kind of place", code, kind, f"one of {', '.join(PlaceKind.values)}")
    for kind in OUTSIDE_CODES:
        if (there := kinds.count(kind)) != 1:
            yield Disagreement("outside places", kind, there, 1)
