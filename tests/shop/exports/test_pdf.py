"""PDF reports: their text can be read back, whatever it holds."""

from io import BytesIO

from pypdf import PdfReader

from shop.exports.pdf import Listing, PdfColumn, report

COLUMNS = (PdfColumn("Consumable", 3), PdfColumn("Quantity", 1, number=True))


def text_of(pdf: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)


def test_everything_given_can_be_read_back() -> None:
    pdf = report(
        "Pick list VAN-1",
        [("Week", "2026-W48")],
        [Listing(COLUMNS, [["Disc P240 <125 mm> & more", "12"]]), "Wear gloves."],
        foot="Lantern Quay",
    )
    text = text_of(pdf)
    for expected in (
        "Pick list VAN-1",
        "2026-W48",
        "Disc P240 <125 mm> & more",
        "12",
        "Wear gloves.",
        "Page 1",
    ):
        assert expected in text


def test_letters_of_other_alphabets_are_printed() -> None:
    text = text_of(report("Łódź, Ağva, Ελλάδα, Скло", [], [], foot="Ærø"))
    assert "Łódź, Ağva, Ελλάδα, Скло" in text
    assert "Ærø" in text


def test_a_long_table_repeats_its_head_on_every_page() -> None:
    pdf = report("Long", [], [Listing(COLUMNS, [[f"item {n}", str(n)] for n in range(200)])], foot="x")
    pages = PdfReader(BytesIO(pdf)).pages
    assert len(pages) > 3
    assert all("Quantity" in page.extract_text() for page in pages)
    assert "item 199" in pages[-1].extract_text()


def test_an_empty_table_says_so() -> None:
    assert "Nothing to pick." in text_of(
        report("Empty", [], [Listing(COLUMNS, [], empty="Nothing to pick.")], foot="x")
    )


def test_equal_content_gives_equal_bytes() -> None:
    def make() -> bytes:
        return report("Same", [("a", "b")], [Listing(COLUMNS, [["c", "1"]])], foot="x")

    assert make() == make()
