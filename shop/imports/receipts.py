"""Receipts: what suppliers delivered, by line, with freight per receipt."""

from decimal import Decimal

from inventory.documents import LONGEST_ID, Receipt, ReceiptLine, money_problem, quantity_problem
from shop.imports import grouping
from shop.imports.context import Context, ImportSummary
from shop.imports.csv_reader import Record
from shop.imports.grouping import Groups

FIELD_COLUMNS = {"occurred_at": "received_at", "cost": "line_cost"}


class Receipts:
    """Rows with the same receipt form one delivery."""

    columns = (
        *("receipt", "received_at", "supplier", "place"),
        *("consumable", "quantity", "line_cost", "freight"),
    )

    def __init__(self, context: Context) -> None:
        self.context = context
        self.groups: Groups[ReceiptLine] = Groups("receipt")

    def read(self, record: Record) -> None:
        """Take in one line of a receipt."""
        codes = self.context.codes
        reference = record.text("receipt", LONGEST_ID)
        header = {
            "received_at": record.moment("received_at"),
            "supplier": codes.supplier(record),
            "place": codes.place(record, "place"),
            "freight": record.optional_number("freight", money_problem) or Decimal(0),
        }
        consumable = codes.consumable(record)
        quantity = record.number("quantity", quantity_problem)
        codes.check_whole(record, consumable, quantity)
        line = ReceiptLine(consumable, quantity, record.number("line_cost", money_problem))
        if record.valid:
            self.groups.add(record, reference, header, line)

    def check(self) -> None:
        """Receipts have nothing to agree with but themselves."""

    def write(self) -> ImportSummary:
        """Post the receipts."""
        batch = (
            Receipt(
                id=reference,
                occurred_at=group.header["received_at"],
                supplier=group.header["supplier"],
                place=group.header["place"],
                lines=tuple(line for _, line in group.rows),
                freight=group.header["freight"],
            )
            for reference, group in self.groups.groups.items()
        )
        return grouping.post(batch, self.groups, FIELD_COLUMNS, self.context, "receipts")
