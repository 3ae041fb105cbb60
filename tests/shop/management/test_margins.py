"""The command margins: its table, its notes and the balance of the wear pool."""

import re
from decimal import Decimal

import pytest

from tests.shop.world import (
    DISC,
    PAD,
    close,
    open_shop,
    pay,
    receive,
    run,
    used,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop(zone="Europe/Lisbon")


def test_the_command_prints_a_table_and_the_wear_pools_balance() -> None:
    pay("60")
    receive("R-1", "2026-03-01", (DISC, "10", "20"), (PAD, "1", "30"))
    close("J-1", "2026-03-20", used(DISC, "4"), used(PAD, "1", "30"))
    close("J-2", "2026-03-21", damage_type="acid etch", price=Decimal(1000), callback_of="J-1")
    title, header, _, *rows, interval, shrunk, balance = run("margins").splitlines()
    assert title == "Margin by damage type"
    assert [cell.strip() for cell in re.split("  +", header.strip())] == [
        *("damage type", "jobs", "revenue", "materials, wear", "labour, travel", "contribution"),
        *("overhead", "margin", "of revenue", "95% interval", "shrunk"),
    ]
    assert [re.split("  +", row.strip()) for row in rows] == [
        ["acid etch", "1", "1,000.00", "0.00", "90.00", "910.00", "0.00", "910.00", "91%", "-", "91%"],
        ["scratch", "1", "200.00", "11.00", "90.00", "99.00", "0.00", "99.00", "50%", "-", "50%"],
        ["all", "2", "1,200.00", "11.00", "180.00", "1,009.00", "0.00", "1,009.00", "84%"],
    ]
    assert "interval" in interval
    assert "Shrunk" in shrunk
    assert balance == "Wear of long-lived parts: under-absorbed by 27.0000."
    assert "scratch         2  1,200.00" in run("margins", "--lifetime")
    assert "acid etch" not in run("margins", "--to", "2026-03-20")
    assert "(nothing yet)" in run("margins", "--by=van", "--from", "2026-05-01")
    assert "2026-03" in run("margins", "--by=month")
