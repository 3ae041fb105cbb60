"""A shop that files are imported into."""

from pathlib import Path

import pytest

from tests.shop.csv_import import CONSUMABLES, Imports


@pytest.fixture
def imports(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Imports:
    """Return a way to import texts into a shop that knows three consumables."""
    imports = Imports(tmp_path, capsys)
    imports("consumables", *CONSUMABLES)
    return imports
