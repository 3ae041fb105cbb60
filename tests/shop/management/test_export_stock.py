"""export_stock: what each place held at the end of a day, with its value."""

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from django.core.management import CommandError

from inventory import ledger
from inventory.documents import Receipt, ReceiptLine
from inventory.models import Books
from tests.inventory.small_shop import NOW, receive, transfer, use
from tests.shop.job_shop import open_job_shop
from tests.shop.world import run

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop() -> None:
    open_job_shop()


def test_rows_have_plain_quantities_and_values_of_four_places() -> None:
    receive("R-1", 0, ("disc-p400", "300", "100"), ("compound", "1000", "20"))
    transfer("T-1", 1, "depot", "van-a", "compound", "12.5")
    transfer("T-2", 1, "depot", "van-b", "disc-p400", "100")
    use("J-1", 2, "van-b", "compound", "0.25")
    assert run("export_stock", "--at", "2026-06-30") == (
        "place,consumable,quantity,value\r\n"
        "depot,compound,987.5,19.7500\r\n"
        "depot,disc-p400,200,66.6667\r\n"
        "van-a,compound,12.5,0.2500\r\n"
        "van-b,compound,-0.25,-0.0050\r\n"
        "van-b,disc-p400,100,33.3333\r\n"
    )


def test_a_day_ends_at_midnight_on_the_shops_clocks() -> None:
    """Auckland is 13 hours ahead of UTC in January, so its 2026-01-11 begins at 11:00 UTC on the 10th."""
    Books.objects.update(time_zone="Pacific/Auckland")
    for id_, moment in (
        ("R-1", datetime(2026, 1, 10, 10, 59, tzinfo=UTC)),
        ("R-2", datetime(2026, 1, 10, 11, tzinfo=UTC)),
    ):
        lines = (ReceiptLine("disc-p400", Decimal(1), Decimal(1)),)
        ledger.post(Receipt(id_, moment, "maker", "depot", lines), now=NOW)
    assert run("export_stock", "--at", "2026-01-10").splitlines()[1:] == ["depot,disc-p400,1,1.0000"]
    assert run("export_stock", "--at", "2026-01-11").splitlines()[1:] == ["depot,disc-p400,2,2.0000"]


def test_a_shop_without_stock_exports_the_header_alone() -> None:
    assert run("export_stock", "--at", "2026-06-30") == "place,consumable,quantity,value\r\n"


def test_the_file_is_written_whole(tmp_path: Path) -> None:
    receive("R-1", 0, ("disc-p400", "3", "1"))
    path = tmp_path / "stock.csv"
    assert run("export_stock", "--at", "2026-06-30", "--out", str(path)) == ""
    assert path.read_bytes() == b"place,consumable,quantity,value\r\ndepot,disc-p400,3,1.0000\r\n"


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--at", "yesterday"], "'yesterday' is not a date; write it as 2026-12-31"),
        (["--at", "9999-12-31"], "outside the years 2000 to 2100"),
        (["--at", "2026-01-01", "--out", "no/such/folder/stock.csv"], "does not exist; make it first"),
        ([], "--at"),
    ],
)
def test_what_cannot_be_exported_is_explained(arguments: list[str], complaint: str) -> None:
    with pytest.raises(CommandError, match=complaint):
        run("export_stock", *arguments)
