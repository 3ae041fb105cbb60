"""The start and end of every command that reads or changes the books."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from shop.common.broken_pipe import quiet_when_nobody_reads
from shop.models import Shop


class BooksCommand(BaseCommand):
    """A command that needs the tables, and whose output may be cut off by `head`."""

    def execute(self, *args: Any, **options: Any) -> str | None:
        """Run the command. Raises CommandError when the database was never migrated."""
        if Shop._meta.db_table not in connection.introspection.table_names():
            raise CommandError("the database has no tables yet; run migrate first")
        with quiet_when_nobody_reads():
            output = super().execute(*args, **options)
            self.stdout.flush()
        return output
