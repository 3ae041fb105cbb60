"""What to take out of the depot for a van, on paper and as a file."""

import csv
import re
from io import StringIO

from forecasting.models import Restock, RestockLine, RestockStatus
from shop.common.amounts import quantity
from shop.common.text import exact
from shop.exports.csv_writer import cell
from shop.exports.pdf import Listing, PdfColumn, report
from shop.models import in_shop_zone, the_shop

CSV_HEADER = ("van", "week", "consumable", "name", "grade", "quantity", "unit", "usable_unit", "why")
COLUMNS = (
    PdfColumn("Consumable", 3.2),
    PdfColumn("Grade", 0.9),
    PdfColumn("Take", 1.3, number=True),
    PdfColumn("Taken", 1.2, number=True),
    PdfColumn("Why", 5.4),
)
BLANK = "\N{LOW LINE}" * 7


def file_name(restock: Restock, ending: str) -> str:
    """Return the name of a pick list's file, on the page and in the letter: no signs but dashes."""
    van = re.sub(r"[^A-Za-z0-9]", "-", restock.van.code)
    return f"pick-list-{van}-{restock.period}.{ending}"


def pick_list_pdf(restock: Restock) -> bytes:
    """Return the pick list as a PDF: what to take, with room to write what was taken."""
    shop = the_shop()
    rows = [
        (
            f"{line.consumable.name} {line.consumable.code}",
            line.consumable.grade,
            in_units(line),
            BLANK,
            line.why,
        )
        for line in _lines(restock)
    ]
    facts = [
        ("Van", str(restock.van)),
        ("From", str(restock.depot)),
        ("Week", restock.period),
        ("Status", _status(restock)),
        ("Drafted", f"{in_shop_zone(restock.made_at, shop):%Y-%m-%d %H:%M}"),
    ]
    parts: list[Listing | str] = [
        Listing(COLUMNS, rows, empty="Nothing is to be taken this week."),
        "First to expire is first to go: take the oldest lot, and leave out what is past its day.",
        "Write down what was really taken, and enter it when the van leaves.",
    ]
    return report(f"Pick list for {restock.van}", facts, parts, foot=f"{shop.name}, restock {restock}")


def pick_list_csv(restock: Restock) -> str:
    """Return the pick list as CSV (RFC 4180) with a head; quantities in stock units."""
    written = StringIO(newline="")
    writer = csv.writer(written)
    writer.writerow(CSV_HEADER)
    for line in _lines(restock):
        consumable = line.consumable
        values = (
            restock.van.code,
            restock.period,
            consumable.code,
            consumable.name,
            consumable.grade,
            exact(line.due),
            consumable.stock_unit,
            exact(line.usable_unit),
            line.why,
        )
        writer.writerow([cell(value) for value in values])
    return written.getvalue()


def _lines(restock: Restock) -> list[RestockLine]:
    lines = restock.lines.select_related("consumable").order_by("consumable__code")
    return [line for line in lines if line.due]


def _status(restock: Restock) -> str:
    if restock.status == RestockStatus.DRAFT:
        return "draft, not approved yet"
    return str(RestockStatus(restock.status))


def in_units(line: RestockLine) -> str:
    """Return the quantity, and how many usable units that is when they hold more than one stock unit."""
    amount = f"{quantity(line.due)} {line.consumable.stock_unit}"
    if line.usable_unit == 1 or line.due % line.usable_unit:
        return amount
    units = quantity(line.due / line.usable_unit)
    return f"{units} x {quantity(line.usable_unit)} {line.consumable.stock_unit} = {amount}"
