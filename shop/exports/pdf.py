"""PDF on A4 in the shop's own plain layout: a title, facts, tables and notes.

The fonts come with matplotlib and hold Latin, Greek and Cyrillic letters.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from xml.sax.saxutils import escape

from matplotlib import get_data_path
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph, Spacer, Table

REGULAR, BOLD = "DejaVuSans", "DejaVuSans-Bold"
INK, SOFT, LINE = colors.HexColor("#15262b"), colors.HexColor("#4a6067"), colors.HexColor("#cbd8da")
MARGIN_MM = 16.0
FOOT_MM = 9.0

TITLE = ParagraphStyle("title", fontName=BOLD, fontSize=16, leading=20, textColor=INK, spaceAfter=2 * mm)
TEXT = ParagraphStyle("text", fontName=REGULAR, fontSize=9.5, leading=13, textColor=INK)
HEAD = ParagraphStyle("head", TEXT, fontName=BOLD, fontSize=8.5, leading=11, textColor=SOFT)
NUMBER = ParagraphStyle("number", TEXT, alignment=2)
NUMBER_HEAD = ParagraphStyle("number head", HEAD, alignment=2)


@dataclass(frozen=True, slots=True)
class PdfColumn:
    """A column: its head, its share of the width, and whether it holds numbers."""

    head: str
    share: float
    number: bool = False


@dataclass(frozen=True, slots=True)
class Listing:
    """A table; every row has one text for each column. `empty` is said when there are no rows."""

    columns: Sequence[PdfColumn]
    rows: Sequence[Sequence[str]]
    empty: str = "Nothing."


@cache
def register_fonts() -> None:
    """Make the fonts known to reportlab."""
    for name in (REGULAR, BOLD):
        pdfmetrics.registerFont(TTFont(name, f"{get_data_path()}/fonts/ttf/{name}.ttf"))


def report(
    title: str, facts: Sequence[tuple[str, str]], parts: Sequence[Listing | str], *, foot: str
) -> bytes:
    """Return a PDF: the title, facts as label and value, then tables and paragraphs in the order given.

    Texts are plain, not markup. `foot` stands on every page, before the page's number; table heads repeat on
    each page.
    """
    register_fonts()
    story: list[Flowable] = [Paragraph(escape(title), TITLE)]
    width = A4[0] - 2 * MARGIN_MM * mm
    if facts:
        cells = [[Paragraph(escape(label), HEAD), Paragraph(escape(value), TEXT)] for label, value in facts]
        story.append(
            Table(cells, colWidths=[width * 0.2, width * 0.8], style=[("VALIGN", (0, 0), (-1, -1), "TOP")])
        )
    for part in parts:
        story.append(Spacer(1, 4 * mm))
        story.append(_table(part, width) if isinstance(part, Listing) else Paragraph(escape(part), TEXT))
    written = BytesIO()
    document = BaseDocTemplate(
        written,
        pagesize=A4,
        leftMargin=MARGIN_MM * mm,
        rightMargin=MARGIN_MM * mm,
        topMargin=MARGIN_MM * mm,
        bottomMargin=MARGIN_MM * mm,
        title=title,
        author=foot,
        invariant=True,  # equal content gives equal bytes
    )
    frame = Frame(document.leftMargin, document.bottomMargin, document.width, document.height, 0, 0, 0, 0)

    def draw_foot(canvas: Canvas, laid_out: BaseDocTemplate) -> None:
        canvas.setFont(REGULAR, 8)
        canvas.setFillColor(SOFT)
        canvas.drawString(MARGIN_MM * mm, FOOT_MM * mm, foot)
        canvas.drawRightString(A4[0] - MARGIN_MM * mm, FOOT_MM * mm, f"Page {laid_out.page}")

    document.addPageTemplates(PageTemplate(frames=[frame], onPage=draw_foot))
    document.build(story)
    return written.getvalue()


def _table(listing: Listing, width: float) -> Flowable:
    if not listing.rows:
        return Paragraph(escape(listing.empty), TEXT)
    shares = sum(column.share for column in listing.columns)
    heads = [
        Paragraph(escape(column.head), NUMBER_HEAD if column.number else HEAD) for column in listing.columns
    ]
    rows = [
        [
            Paragraph(escape(text), NUMBER if column.number else TEXT)
            for column, text in zip(listing.columns, row, strict=True)
        ]
        for row in listing.rows
    ]
    return Table(
        [heads, *rows],
        colWidths=[width * column.share / shares for column in listing.columns],
        repeatRows=1,
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, 0), 1, INK),
            ("LINEBELOW", (0, 1), (-1, -1), 0.5, LINE),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ],
    )
