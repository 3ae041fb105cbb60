"""Sheets of labels for shelves and boxes: a QR code (ISO/IEC 18004) that the phone reads, and the words."""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

from reportlab.graphics import renderPDF
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.shapes import Drawing
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from shop.exports.pdf import BOLD, INK, REGULAR, register_fonts
from shop.web.storeroom.qr_text import label_text

# Three by eight on A4, each 70 x 37.125 mm: plain paper to cut, or label paper without margins.
COLUMNS, ROWS = 3, 8
WIDTH, HEIGHT = A4[0] / COLUMNS, A4[1] / ROWS
PAD = 4 * mm
CODE_SIDE = HEIGHT - 2 * PAD


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says of a consumable."""

    code: str
    name: str
    detail: str


def label_sheet(labels: Sequence[Label]) -> bytes:
    """Return a PDF with these labels, 24 to a page, in their order."""
    register_fonts()
    written = BytesIO()
    canvas = Canvas(written, pagesize=A4, invariant=1)
    canvas.setTitle("Labels")
    for number, label in enumerate(labels):
        position = number % (COLUMNS * ROWS)
        if number and position == 0:
            canvas.showPage()
        row, column = divmod(position, COLUMNS)
        _draw(canvas, label, column * WIDTH, A4[1] - (row + 1) * HEIGHT)
    canvas.save()
    return written.getvalue()


def _draw(canvas: Canvas, label: Label, left: float, bottom: float) -> None:
    # Level Q still reads with a quarter of the symbol soiled, as labels in a van soon are.
    code = QrCodeWidget(label_text(label.code), barLevel="Q", barWidth=CODE_SIDE, barHeight=CODE_SIDE)
    drawing = Drawing(CODE_SIDE, CODE_SIDE)
    drawing.add(code)
    renderPDF.draw(drawing, canvas, left + PAD, bottom + PAD)
    x = left + PAD + CODE_SIDE + 2 * mm
    width = left + WIDTH - PAD - x
    canvas.setFillColor(INK)
    y = bottom + HEIGHT - PAD - 9
    lines = [(BOLD, 9.0, line) for line in simpleSplit(label.code, BOLD, 9, width)[:2]]
    lines += [(REGULAR, 8.0, line) for line in simpleSplit(label.name, REGULAR, 8, width)[:3]]
    lines += [(REGULAR, 7.0, line) for line in simpleSplit(label.detail, REGULAR, 7, width)[:2]]
    for font, size, line in lines:
        canvas.setFont(font, size)
        canvas.drawString(x, y, line)
        y -= size + 3
