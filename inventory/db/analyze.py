"""Keeps PostgreSQL's planner informed inside one long transaction.

Its plans rest on old statistics: it does not know the rows that a long import has just written, and would
scan all of them for each of many look-ups. Elsewhere autovacuum keeps the statistics up to date.
"""

from django.db import connection
from django.db.models import Model

MANY_ROWS = 1000


def after_writing(rows: int, *models: type[Model]) -> None:
    """Have the tables of models analysed after many rows were written to them."""
    if rows < MANY_ROWS or connection.vendor != "postgresql":
        return
    tables = ", ".join(connection.ops.quote_name(model._meta.db_table) for model in models)
    with connection.cursor() as cursor:
        cursor.execute(f"ANALYZE {tables}")
