"""Blind counts: what was found, whatever the book says. One count may cover several places."""

from functools import partial

from inventory.documents import LONGEST_ID, Count, CountedLine, quantity_problem
from shop.imports import grouping
from shop.imports.context import Context, ImportSummary
from shop.imports.csv_reader import Record
from shop.imports.grouping import Groups

found_problem = partial(quantity_problem, zero=True)


class Counts:
    """Rows with the same count form one document."""

    columns = ("count", "counted_at", "place", "consumable", "quantity")

    def __init__(self, context: Context) -> None:
        self.context = context
        self.groups: Groups[CountedLine] = Groups("count")
        self._first_lines: dict[tuple[str, str, str], int] = {}

    def read(self, record: Record) -> None:
        """Take in what was found of one consumable at one place."""
        codes = self.context.codes
        reference = record.text("count", LONGEST_ID)
        header = {"counted_at": record.moment("counted_at")}
        place = codes.place(record, "place")
        consumable = codes.consumable(record)
        quantity = record.number("quantity", found_problem)
        codes.check_whole(record, consumable, quantity)
        if not record.valid:
            return
        first = self._first_lines.setdefault((reference, place, consumable), record.line)
        if first != record.line:
            record.fault("consumable", f"is counted at {place} in line {first} of the same count already")
        self.groups.add(record, reference, header, CountedLine(place, consumable, quantity))

    def check(self) -> None:
        """Counts have nothing to agree with but themselves."""

    def write(self) -> ImportSummary:
        """Post the counts."""
        batch = (
            Count(
                id=reference,
                occurred_at=group.header["counted_at"],
                lines=tuple(line for _, line in group.rows),
            )
            for reference, group in self.groups.groups.items()
        )
        return grouping.post(batch, self.groups, {"occurred_at": "counted_at"}, self.context, "counts")
