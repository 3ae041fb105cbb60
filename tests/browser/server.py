"""python -m tests.browser.server: serve a small shop on a free port, which the first line printed names.

The database is DATABASE_URL's and must be empty. The server stops when its standard input ends.
"""

import os
import sys
import threading
from decimal import Decimal

import django
from django.conf import settings


def main() -> None:
    """Make the shop, then serve it."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
    django.setup()
    settings.ROOT_URLCONF = "tests.browser.shop_urls"
    make_shop()
    from waitress import create_server  # noqa: PLC0415 - not before the settings

    from shop.config.wsgi import application  # noqa: PLC0415

    server = create_server(application, host="127.0.0.1", port=0, threads=6)
    print(server.effective_port, flush=True)
    threading.Thread(target=_stop_with_tests, daemon=True).start()
    server.run()


def _stop_with_tests() -> None:
    sys.stdin.read()
    os._exit(0)


def make_shop() -> None:
    """Make a shop with one service that takes discs of two grades, a pad and compound."""
    from django.core.management import call_command  # noqa: PLC0415

    from inventory.models import Consumable, ConsumableKind, Place, PlaceKind, Supplier  # noqa: PLC0415
    from shop.models import DamageType, GlassType, JobType, StandardUse  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    Place.objects.create(code="depot", kind=PlaceKind.DEPOT)
    Supplier.objects.create(code="maker")
    for grade in ("P400", "P800"):
        Consumable.objects.create(
            code=f"D-{grade}",
            name=f"Disc {grade}, 125 mm",
            kind=ConsumableKind.COUNTED,
            stock_unit="each",
            grade=grade,
            life_minutes=Decimal(10),
        )
    Consumable.objects.create(
        code="C-FINE", name="Finishing compound", kind=ConsumableKind.MEASURED, stock_unit="ml"
    )
    Consumable.objects.create(
        code="S-PAD",
        name="Soft polishing pad",
        kind=ConsumableKind.WORN,
        stock_unit="each",
        life_minutes=Decimal(240),
    )
    Consumable.objects.create(code="N-CLOTH", name="Cloth", kind=ConsumableKind.COUNTED, stock_unit="each")
    job_type = JobType.objects.create(
        code="SCR-S", name="Short scratch", list_price=Decimal(145), standard_minutes=Decimal(55)
    )
    for code, quantity, minutes in (("D-P400", "1", "8"), ("D-P800", "2", "12"), ("C-FINE", "35", "0")):
        StandardUse.objects.create(
            job_type=job_type,
            consumable=Consumable.objects.get(code=code),
            quantity=Decimal(quantity),
            minutes=Decimal(minutes),
        )
    DamageType.objects.get_or_create(code="scratch")
    GlassType.objects.get_or_create(code="laminated")


if __name__ == "__main__":
    main()
