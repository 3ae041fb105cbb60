"""A purchase as its supplier gets it: on paper and as a file."""

import csv
from io import StringIO

from forecasting.models import Purchase, PurchaseLine, PurchaseStatus
from inventory.decimals import ZERO
from inventory.models import Books
from shop.common.amounts import money, quantity
from shop.common.text import exact
from shop.exports.csv_writer import cell
from shop.exports.pdf import Listing, PdfColumn, report
from shop.models import in_shop_zone, the_shop

CSV_HEADER = (
    "order",
    "ordered_on",
    "supplier",
    "deliver_to",
    "consumable",
    "name",
    "pack",
    "units_in_pack",
    "unit",
    "packs",
    "price_of_pack",
    "line_total",
    "currency",
)
COLUMNS = (
    PdfColumn("What", 4.2),
    PdfColumn("Pack", 2.2),
    PdfColumn("Packs", 1, number=True),
    PdfColumn("Price", 1.6, number=True),
    PdfColumn("Total", 1.8, number=True),
)
DRAFT = (PurchaseStatus.DRAFT, PurchaseStatus.APPROVED)


def ordered_lines(purchase: Purchase) -> list[PurchaseLine]:
    """Return the lines that are ordered, with their consumables and packs, in the order of the codes."""
    lines = purchase.lines.select_related("consumable", "pack").order_by("consumable__code", "pk")
    return [line for line in lines if line.packs]


def order_pdf(purchase: Purchase) -> bytes:
    """Return the order as a PDF. Prices are net of tax; a price that falls on the way is an average."""
    shop, digits = the_shop(), Books.objects.get().minor_unit_digits
    lines = ordered_lines(purchase)
    rows = [
        (
            f"{line.consumable.name} ({line.consumable.code})",
            f"{line.pack.name} of {quantity(line.pack_units)} {line.consumable.stock_unit}",
            f"{line.packs:,}",
            money(line.average_price, digits),
            money(line.cost, digits),
        )
        for line in lines
    ]
    total = money(sum((line.cost for line in lines), ZERO), digits)
    supplier = purchase.supplier
    facts = [
        ("To", f"{supplier.name} ({supplier.code})" if supplier.name else supplier.code),
        ("From", shop.name),
        ("Deliver to", purchase.depot.name or purchase.depot.code),
        ("Date", _day(purchase)),
    ]
    if purchase.expected_on:
        facts.append(("Expected", f"{purchase.expected_on:%Y-%m-%d}"))
    if purchase.status in DRAFT:
        facts.append(("Status", f"{PurchaseStatus(purchase.status)}, not sent"))
    if purchase.status == PurchaseStatus.CANCELLED:
        facts.append(("Status", "cancelled"))
    parts: list[Listing | str] = [
        Listing(COLUMNS, rows, empty="Nothing is ordered."),
        f"In all {total} {shop.currency}, net of tax. Please name {purchase.number} on the delivery note.",
    ]
    if purchase.note:
        parts.append(purchase.note)
    return report(f"Order {purchase.number}", facts, parts, foot=f"{shop.name}, order {purchase.number}")


def order_csv(purchase: Purchase) -> str:
    """Return the order as CSV (RFC 4180) with a head; money net of tax."""
    shop, digits = the_shop(), Books.objects.get().minor_unit_digits
    written = StringIO(newline="")
    writer = csv.writer(written)
    writer.writerow(CSV_HEADER)
    for line in ordered_lines(purchase):
        values = (
            purchase.number,
            _day(purchase),
            purchase.supplier.code,
            purchase.depot.code,
            line.consumable.code,
            line.consumable.name,
            line.pack.name,
            exact(line.pack_units),
            line.consumable.stock_unit,
            line.packs,
            exact(line.average_price),
            f"{line.cost:.{digits}f}",
            shop.currency,
        )
        writer.writerow([cell(value) for value in values])
    return written.getvalue()


def _day(purchase: Purchase) -> str:
    return f"{in_shop_zone(purchase.sent_at or purchase.made_at, the_shop()):%Y-%m-%d}"
