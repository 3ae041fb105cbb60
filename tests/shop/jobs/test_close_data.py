"""Closes and further uses as plain values: their canonical text, which databases hold already."""

from datetime import datetime, timedelta, timezone
from decimal import Decimal

from shop.jobs.close_data import JobClose, JobUses, UsedLine, close_content, uses_content

LINES = (UsedLine("D-P240", Decimal("2.0"), Decimal("1E+1"), Decimal(1), "größer"),)
LINES_TEXT = (
    '[{"consumable": "D-P240", "minutes": "10", "quantity": "2", "spoilt": "1", "spoilt_reason": "größer"}]'
)


def test_the_text_of_a_close_is_the_one_that_is_stored_already() -> None:
    close = JobClose(
        id="close-1",
        job="J-1",
        van="VAN-1",
        technician="T",
        closed_at=datetime(2026, 3, 2, 9, 30, tzinfo=timezone(timedelta(hours=2))),
        job_type="polish",
        damage_type="scratch",
        glass="laminated",
        price=Decimal("150.00"),
        labour_minutes=Decimal(60),
        travel_minutes=Decimal("20.5"),
        outcome="removed",
        uses=LINES,
        in_primary_view=True,
        note="zwei\nZeilen",
    )
    assert close_content(close) == (
        '{"callback_of": "", "closed_at": "2026-03-02T07:30:00+00:00", "damage_type": "scratch", '
        '"existing_damage": "", "glass": "laminated", "in_primary_view": true, "job": "J-1", '
        '"job_type": "polish", "labour_minutes": "60", "length_mm": null, "note": "zwei\\nZeilen", '
        '"outcome": "removed", "price": "150", "technician": "T", "travel_minutes": "20.5", '
        f'"uses": {LINES_TEXT}, "van": "VAN-1"}}'
    )


def test_the_text_of_further_uses_is_the_one_that_is_stored_already() -> None:
    assert uses_content(JobUses("U-1", "J-1", LINES)) == f'{{"job": "J-1", "lines": {LINES_TEXT}}}'
