"""Importing one file: all of it, or nothing, with the first faults named and the others counted."""

from collections.abc import Callable
from pathlib import Path

from django.db import transaction
from django.utils import timezone

from shop.common.progress import Bar, no_bar
from shop.imports.codes import Codes
from shop.imports.consumables import ConsumableImporter
from shop.imports.context import Context, Importer, ImportSummary, Rejected
from shop.imports.counts import Counts
from shop.imports.csv_reader import CsvFile
from shop.imports.jobs import Jobs
from shop.imports.receipts import Receipts
from shop.imports.transfers import Transfers
from shop.imports.uses import Uses
from shop.models import the_shop

IMPORTERS: dict[str, Callable[[Context], Importer]] = {
    "consumables": ConsumableImporter,
    "receipts": Receipts,
    "transfers": Transfers,
    "jobs": Jobs,
    "uses": Uses,
    "counts": Counts,
}


def import_file(
    kind: str,
    path: Path,
    *,
    create_missing: bool = False,
    dry_run: bool = False,
    by: str = "import_csv",
    bar: Bar = no_bar,
) -> ImportSummary:
    """Import a file of one kind. With `dry_run` everything is done and then rolled back.

    Raises Rejected with what is wrong with the file, OSError when it cannot be read.
    """
    context = Context(
        codes=Codes(create_missing=create_missing),
        now=timezone.now(),
        by=by,
        create_missing=create_missing,
        bar=bar,
    )
    importer = IMPORTERS[kind](context)
    with bar(f"reading {kind}", path.stat().st_size) as progress:
        file = CsvFile(path, importer.columns, the_shop().zone, context.faults, progress)
        for record in file:
            if context.faults.more:
                # Nothing will be written: no row is held any longer, each is looked at by itself.
                importer = IMPORTERS[kind](context)
                context.codes.keeps_missing = False
            importer.read(record)
    if context.faults.more:
        raise Rejected(context.faults, compared=False)
    with transaction.atomic():
        created = context.codes.create() if not context.faults else {}
        importer.check()
        if context.faults:
            raise Rejected(context.faults)
        summary = importer.write()
        if context.faults:
            raise Rejected(context.faults)
        summary.created = created
        if not file.ends_in_line_break:
            # RFC 4180 section 2, rule 2 allows it, but a file cut off inside its last cell looks the same.
            summary.notes.append("the last line has no line break; check that the file was not cut off")
        if dry_run:
            transaction.set_rollback(True)
    return summary
