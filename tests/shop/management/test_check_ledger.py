"""check_ledger: the reconciliation in figures, every disagreement in words, and an exit status."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from inventory.models import Holding
from shop.models import JobCost
from tests.inventory.small_shop import count, receive, scrap, transfer
from tests.shop.job_shop import close, open_job_shop
from tests.shop.world import run, used

pytestmark = pytest.mark.django_db


def keep_books() -> None:
    """Receive 100 discs for 200 and 2 pads for 60; use 10 discs and a pad, scrap 2 discs, miss 3."""
    open_job_shop()
    receive("R-1", 0, ("disc-p400", "100", "200"), ("pad", "2", "60"))
    transfer("T-1", 1, "depot", "van-a", "disc-p400", "20")
    close("J-1", 2, used("disc-p400", "10", "80"), used("pad", "1", "60"))
    scrap("S-1", 3, "van-a", "disc-p400", "2")
    count("C-1", 4, "van-a", "disc-p400", "5")


def test_the_books_agree_and_show_where_the_value_went() -> None:
    keep_books()
    assert run("check_ledger") == (
        "  receipts                    260.0000\n"
        "- job costs                    50.0000\n"
        "- losses                        6.0000\n"
        "- scrap                         4.0000\n"
        "- adjustments                   0.0000\n"
        "- closing stock               200.0000\n"
        "= unexplained                   0.0000\n"
        "everything agrees\n"
    )


def test_each_disagreement_is_printed_and_the_status_is_one() -> None:
    keep_books()
    Holding.objects.filter(place__code="van-a", consumable__code="disc-p400").update(quantity=4)
    JobCost.objects.filter(job__reference="J-1").update(wear=7)
    out = StringIO()
    with pytest.raises(CommandError, match="3 disagreements") as error:
        call_command("check_ledger", stdout=out)
    assert error.value.returncode == 1
    assert out.getvalue().splitlines()[-3:] == [
        "holding: disc-p400 at van-a: stored 4.0000, expected 5.0000",
        "sum over all places: disc-p400: stored -1.0000, expected 0",
        "job cost, wear: job J-1, close J-1: stored 7.0000, expected 6.0000",
    ]
