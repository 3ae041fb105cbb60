"""python -m tests.browser.desk_server: serve a shop with something on every page of every desk.

The database is DATABASE_URL's and must be empty. The first line printed is JSON: the port, and the key of a
session for each role. The server stops when its standard input ends.
"""

import json
import os
import sys
import threading
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import django


def main() -> None:
    """Make the shop, then serve it."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
    django.setup()
    from waitress import create_server  # noqa: PLC0415 - not before the settings

    from shop.config.wsgi import application  # noqa: PLC0415

    sessions = make_shop()
    server = create_server(application, host="127.0.0.1", port=0, threads=6)
    print(json.dumps({"port": server.effective_port, "sessions": sessions}), flush=True)
    threading.Thread(target=_stop_with_tests, daemon=True).start()
    server.run()


def _stop_with_tests() -> None:
    sys.stdin.read()
    os._exit(0)


def make_shop() -> dict[str, str]:
    """Fill the shop of an empty database; return a session's key for each role."""
    from django.core.management import call_command  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    from tests.shop.api.served_shop import PERSON_OF_ROLE, signed_in  # noqa: PLC0415

    fill_shop()
    return {role: signed_in(name).cookies["sessionid"].value for role, name in PERSON_OF_ROLE.items()}


def fill_shop() -> None:
    """Make the shop with its people, and something on every page of every desk."""
    from django.utils import timezone  # noqa: PLC0415

    from tests.shop.api.served_shop import open_served_shop  # noqa: PLC0415

    open_served_shop()
    now = timezone.now()
    _make_rates()
    _work(now)
    _book(now)
    _disagree(now)
    _draft(now)


def _make_rates() -> None:
    from shop.models import BEGINNING, LabourRate, OverheadRate  # noqa: PLC0415

    LabourRate.objects.create(effective_from=BEGINNING, per_hour=Decimal(40))
    OverheadRate.objects.create(
        effective_from=BEGINNING, monthly_overhead=Decimal(3000), capacity_minutes=Decimal(9000)
    )


def _work(now: datetime) -> None:
    """Close jobs of some kinds over the last weeks, one a callback, some at a loss, two with questions."""
    from shop.jobs.close_data import JobClose, UsedLine  # noqa: PLC0415
    from shop.jobs.close_job import close_job  # noqa: PLC0415
    from shop.models import DamageType  # noqa: PLC0415

    kinds = ("scratch", "scuff", "acid etch", "a kind of damage whose name is rather long")
    DamageType.objects.create(code=kinds[-1])
    for number in reversed(range(24)):
        said: dict[str, Any] = {
            "job": f"D-{number}",
            "van": "van-a" if number % 2 else "van-b",
            "technician": "ann" if number % 2 else "ben",
            "closed_at": now - timedelta(days=2 * number + 1),
            "damage_type": kinds[number % len(kinds)],
            "price": Decimal(40 if number % len(kinds) == 2 else 150),
            "uses": (
                UsedLine("disc-p400", Decimal(1 + number % 2), Decimal(55 if number < 2 else 8)),
                UsedLine("compound", Decimal(20), Decimal(0)),
            ),
            "callback_of": "D-5" if number == 4 else "",
        }
        close_job(
            JobClose(
                id=f"close-{said['job']}",
                job_type="scratch-small",
                glass="tempered",
                labour_minutes=Decimal(60),
                travel_minutes=Decimal(20),
                outcome="removed",
                **said,
            ),
            now=now,
        )


def _book(now: datetime) -> None:
    """Book a job on each van, the one late, the other to come."""
    from shop.jobs.bookings import book  # noqa: PLC0415
    from shop.models import Customer, DamageType, GlassType, JobType, Site, Van  # noqa: PLC0415

    customer = Customer.objects.create(code="K-1", name="A customer whose name is rather long, and Sons")
    for number, van in enumerate(Van.objects.order_by("place__code")):
        said = {
            "van": van,
            "job_type": JobType.objects.get(code="scratch-small"),
            "damage_type": DamageType.objects.get(code="scratch"),
            "glass": GlassType.objects.get(code="tempered"),
            "site": Site.objects.create(customer=customer, name=f"Front {number}"),
            "booked_for": now.date() + timedelta(days=2 * number - 1),
            "price": Decimal(150),
            "in_primary_view": True,
        }
        book(f"B-{number}", said)


def _disagree(now: datetime) -> None:
    """Lock what is long past and let something come late, find less than the book says, refuse a document."""
    from inventory import documents, ledger  # noqa: PLC0415
    from inventory.ledger.period_lock import change_lock  # noqa: PLC0415
    from inventory.models import RefusedDocument  # noqa: PLC0415

    found = (
        documents.CountedLine("van-a", "disc-p400", Decimal(3)),
        documents.CountedLine("van-b", "disc-p400", Decimal(2)),
        documents.CountedLine("depot", "disc-p400", Decimal(90)),
    )
    ledger.post(documents.Count("N-1", now - timedelta(hours=12), found), now=now)
    scrapped = (documents.StockLine("compound", Decimal(50)),)
    ledger.post(documents.Scrap("S-1", now - timedelta(days=1), "depot", "dried out", scrapped), now=now)
    change_lock(now - timedelta(days=90), reason="handed in", by="ada", now=now)
    late = (documents.ReceiptLine("disc-p400", Decimal(20), Decimal(55)),)
    ledger.post(documents.Receipt("R-late", now - timedelta(days=100), "maker", "depot", late), now=now)
    RefusedDocument.objects.create(
        kind="receipt",
        client_id="R-late",
        content={"lines": [{"consumable": "disc-p400", "quantity": "21"}]},
        reason="was posted before with other content",
        refused_at=now,
        refused_by="sue",
    )


def _draft(now: datetime) -> None:
    """Forecast the burn, and draft restocks and purchases from it."""
    from forecasting.burn.runs import forecast_burn  # noqa: PLC0415
    from forecasting.purchasing.drafts import draft_purchases  # noqa: PLC0415
    from forecasting.replenishment.drafts import draft_restocks  # noqa: PLC0415

    run = forecast_burn(by="clock", now=now)
    year, week, _ = now.isocalendar()
    draft_restocks(run, f"{year}-W{week:02}", by="clock", now=now)
    draft_purchases(run, now.date(), by="clock", now=now)


if __name__ == "__main__":
    main()
