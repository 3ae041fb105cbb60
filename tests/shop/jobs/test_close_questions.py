"""What looks wrong about a close is asked, and never refused."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inventory.models import Consumable
from shop.jobs.close_job import Closed, close_job
from shop.models import Finding, JobType, StandardUse
from tests.shop.world import (
    COMPOUND,
    DISC,
    FINE_DISC,
    NOW,
    PAD,
    at,
    close,
    closing_of,
    open_shop,
    receive,
    use_more,
    used,
)

pytestmark = pytest.mark.django_db
DAY = "2026-03-10 09:00"


@pytest.fixture(autouse=True)
def shop(db: None) -> None:
    open_shop()
    receive("R-1", "2026-03-01", (DISC, "100", "250"), (COMPOUND, "1000", "80"), (PAD, "10", "150"))


def finish_with_compound() -> None:
    """Let the service end with a polish by compound."""
    StandardUse.objects.create(
        job_type=JobType.objects.get(code="polish"),
        consumable=Consumable.objects.get(code=COMPOUND),
        quantity=Decimal(20),
        finishing=True,
    )


def test_what_looks_wrong_is_asked_and_kept() -> None:
    job = closing_of("J-1", DAY, used(DISC, "1", "55"))
    finish_with_compound()
    answer = close_job(job, now=NOW)
    assert answer.posting.created
    assert [finding.code for finding in Finding.objects.all()] == [
        "minutes exceed discs",
        "finishing missing",
    ]


def test_a_single_close_without_any_line_is_asked_too() -> None:
    finish_with_compound()
    assert close_codes(close("J-1", DAY)) == ["finishing missing"]
    late = at(DAY) - timedelta(days=2)
    assert close_codes(close_job(closing_of("J-2", DAY, outcome="abandoned"), now=late)) == [
        "closed in future"
    ]


def close_codes(answer: Closed) -> list[str]:
    """Return what a close was asked."""
    return list(Finding.objects.filter(job__reference=answer.job).values_list("code", flat=True))


def test_further_uses_are_judged_together_with_what_was_logged_before() -> None:
    finish_with_compound()
    close("J-1", DAY, used(COMPOUND, "20"), used(DISC, "2", "15"))
    assert not Finding.objects.exists()
    use_more("U-1", "J-1", used(DISC, "1", "5"))
    assert not Finding.objects.exists()
    use_more("U-2", "J-1", used(FINE_DISC, "5", "45"))
    # 20 minutes on P400 and 45 on P1000 are more than the hour of labour.
    assert list(Finding.objects.values_list("code", flat=True)) == ["labour below minutes"]
    use_more("U-3", "J-1", used(FINE_DISC, "1", "5"))
    assert Finding.objects.count() == 1
