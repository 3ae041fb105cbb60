"""Two connections, one purchase: a delivery is received while another one is corrected; run by a test.

Says on its last line what came of both, once for each moment at which the correction may come.
"""

import os
import sys
import threading
import time
from datetime import timedelta
from decimal import Decimal
from typing import Any
from unittest.mock import patch

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
django.setup()

from django.db import connection  # noqa: E402 - needs the setup above

from forecasting.models import PurchaseReceipt  # noqa: E402
from forecasting.purchasing import approval, dispatch, goods_receipt  # noqa: E402
from inventory import ledger  # noqa: E402
from inventory.documents import Correction, Receipt, ReceiptLine  # noqa: E402
from tests.forecasting.purchase_shop import DISC, NOW, a_draft, line  # noqa: E402

LATER = NOW + timedelta(days=9)
LONGEST_WAIT_SECONDS = 20.0
real_post = ledger.post


def delivery(number: int) -> Receipt:
    """Return a box of 25 discs."""
    return Receipt(f"D-{number}", LATER, "maker", "depot", (ReceiptLine(DISC, Decimal(25), Decimal(60)),))


def correct(undone: int, said: list[str]) -> None:
    """Undo a delivery on a connection of this thread's own."""
    try:
        correction = Correction(f"K-{undone}", LATER, "receipt", f"D-{undone}", "came twice")
        real_post(correction, by="olga", now=LATER)
    except Exception as error:
        said.append(f"the correction failed: {error}")
    finally:
        connection.close()


def stands(thread: threading.Thread) -> None:
    """Wait until the other connection has ended, or waits for this one."""
    ends = time.monotonic() + (LONGEST_WAIT_SECONDS if connection.vendor == "postgresql" else 1.0)
    while thread.is_alive() and time.monotonic() < ends:
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
                if cursor.fetchone()[0]:
                    return
        time.sleep(0.02)


def race(purchase_id: int, arriving: int, undone: int, *, after_posting: bool) -> list[str]:
    """Receive one delivery; just before or after it is posted, let another connection undo the other one."""
    said: list[str] = []
    other = threading.Thread(target=correct, args=(undone, said))

    def post(document: Any, **who: Any) -> Any:
        posted = real_post(document, **who) if after_posting else None
        other.start()
        stands(other)
        return posted or real_post(document, **who)

    try:
        with patch.object(ledger, "post", post):
            goods_receipt.receive(purchase_id, delivery(arriving), by="sue", now=LATER)
    except Exception as error:
        said.append(f"the delivery failed: {error}")
    other.join()
    return said


def main() -> int:
    """Let both orders race, and return how many of them went wrong."""
    purchase = a_draft()
    approval.approve(purchase.pk, by="sue", now=NOW)
    dispatch.mark_as_sent(purchase.pk, "by telephone", by="sue", now=NOW)
    goods_receipt.receive(purchase.pk, delivery(1), by="sue", now=LATER)
    said = race(purchase.pk, 2, 1, after_posting=False)
    said += race(purchase.pk, 3, 2, after_posting=True)
    # Of three boxes of 25 two were undone.
    found = line(purchase).received_units, PurchaseReceipt.objects.filter(taken_back=True).count()
    if found != (25, 2):
        said.append(f"received and undone: {found}")
    print("\n".join(said) or "fine", file=sys.stderr if said else sys.stdout)
    return len(said)


if __name__ == "__main__":
    sys.exit(main())
