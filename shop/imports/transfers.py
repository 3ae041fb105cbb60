"""Transfers: stock carried from one depot or van to another."""

from inventory.documents import LONGEST_ID, StockLine, Transfer, quantity_problem
from shop.imports import grouping
from shop.imports.context import Context, ImportSummary
from shop.imports.csv_reader import Record
from shop.imports.grouping import Groups


class Transfers:
    """Rows with the same transfer form one document."""

    columns = ("transfer", "moved_at", "source", "destination", "consumable", "quantity")

    def __init__(self, context: Context) -> None:
        self.context = context
        self.groups: Groups[StockLine] = Groups("transfer")

    def read(self, record: Record) -> None:
        """Take in one line of a transfer."""
        codes = self.context.codes
        reference = record.text("transfer", LONGEST_ID)
        header = {
            "moved_at": record.moment("moved_at"),
            "source": codes.place(record, "source"),
            "destination": codes.place(record, "destination"),
        }
        if record.raw("source") and record.raw("source") == record.raw("destination"):
            record.fault("destination", "is the source too; a transfer goes elsewhere")
        consumable = codes.consumable(record)
        quantity = record.number("quantity", quantity_problem)
        codes.check_whole(record, consumable, quantity)
        if record.valid:
            self.groups.add(record, reference, header, StockLine(consumable, quantity))

    def check(self) -> None:
        """Transfers have nothing to agree with but themselves."""

    def write(self) -> ImportSummary:
        """Post the transfers."""
        batch = (
            Transfer(
                id=reference,
                occurred_at=group.header["moved_at"],
                source=group.header["source"],
                destination=group.header["destination"],
                lines=tuple(line for _, line in group.rows),
            )
            for reference, group in self.groups.groups.items()
        )
        return grouping.post(batch, self.groups, {"occurred_at": "moved_at"}, self.context, "transfers")
