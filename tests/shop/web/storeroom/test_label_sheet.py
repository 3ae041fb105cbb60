"""Printed labels are read back by a reader that we did not write (ZXing)."""

import os
import shutil
import subprocess
from io import BytesIO
from typing import Any

import pytest
import zxingcpp
from PIL import Image
from pypdf import PdfReader

from shop.web.storeroom.label_sheet import Label, label_sheet
from shop.web.storeroom.qr_text import label_text


def test_every_printed_label_names_its_consumable(tmp_path: Any) -> None:
    if shutil.which("pdftoppm") is None and not os.environ.get("CI"):
        pytest.skip("no pdftoppm on the PATH; on Debian: apt-get install poppler-utils")
    codes = [f"D-P{number}" for number in (80, 120, 180, 240)] + ["Ölspray 1/2 & <x>", "a" * 64]
    pdf = tmp_path / "labels.pdf"
    pdf.write_bytes(label_sheet([Label(code, f"Name of {code}", "P80 counted") for code in codes]))
    subprocess.run(["pdftoppm", "-r", "200", "-png", pdf, tmp_path / "page"], check=True)
    picture = Image.open(next(tmp_path.glob("page*.png")))
    read = {found.text for found in zxingcpp.read_barcodes(picture)}
    assert read == {label_text(code) for code in codes}


def test_more_than_a_page_of_labels_goes_on_the_next() -> None:
    sheet = label_sheet([Label(f"C-{number}", "x", "y") for number in range(25)])
    pages = PdfReader(BytesIO(sheet)).pages
    assert len(pages) == 2
    assert "C-24" in pages[1].extract_text()
