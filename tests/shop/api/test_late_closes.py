"""A close that comes late, from the van that its technician had when the work was done."""

from typing import Any

import pytest

from shop.models import Technician, Van
from tests.inventory.small_shop import day
from tests.shop.api.served_shop import close_body, get, open_served_shop, put
from tests.shop.api.test_own_van import book

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def ann_has_changed_vans() -> None:
    """Start with ann on van-b, who closed J-0 from van-a the day before."""
    open_served_shop()
    assert put("ann", "close", "C-0", close_body("J-0", closed_at=day(9).isoformat())).status_code == 201
    Technician.objects.filter(code="ann").update(van=Van.objects.get(place__code="van-b"))


def late(job: str, **changes: Any) -> int:
    """Return the status of ann's close of a job from van-a."""
    answer: int = put("ann", "close", f"C-{job}", close_body(job, **changes)).status_code
    return answer


def test_a_job_that_is_hers_by_name_is_closed_from_the_van_it_is_booked_on() -> None:
    book("J-1", van="van-a", technician="ann")
    assert late("J-1") == 201
    assert get("ann", "close", "C-J-1").status_code == 200


def test_a_job_of_the_van_she_worked_from_that_week_is_closed_late() -> None:
    book("J-1", van="van-a")
    assert late("J-1") == 201


def test_nothing_is_closed_from_a_van_she_left_long_ago() -> None:
    book("J-1", van="van-a")
    assert late("J-1", closed_at=day(20).isoformat()) == 403


def test_a_job_nobody_booked_is_closed_from_the_van_of_today_only() -> None:
    assert late("J-new") == 403
    assert late("J-new", van="van-b") == 201


def test_a_colleagues_job_on_that_van_stays_the_colleagues() -> None:
    book("J-1", van="van-a", technician="ben")
    assert late("J-1") == 403
