"""Run by test_snapshot on a database of its own: count places while another thread adds some."""

import os
import threading

import django

os.environ["DJANGO_SETTINGS_MODULE"] = "shop.config.settings"
django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402

from inventory.db.repeatable_read import one_snapshot  # noqa: E402
from inventory.models import Place, PlaceKind  # noqa: E402


def add(code: str) -> None:
    """Add a place from a thread, so over a connection of its own."""

    def work() -> None:
        Place.objects.create(code=code, kind=PlaceKind.VAN)
        connection.close()

    thread = threading.Thread(target=work)
    thread.start()
    # A writer that had to wait for the reader would never end, since the reader waits for it here.
    thread.join(timeout=30)
    if thread.is_alive():
        raise SystemExit("the writer was held up")


def vans() -> int:
    """Return the number of vans as this thread sees it."""
    return Place.objects.filter(kind=PlaceKind.VAN).count()


if __name__ == "__main__":
    call_command("migrate", verbosity=0)
    seen = [vans()]
    with one_snapshot():
        seen.append(vans())
        add("van-1")
        seen.append(vans())
    seen.append(vans())
    try:
        with one_snapshot():
            raise LookupError
    except LookupError:
        add("van-2")
    seen.append(vans())
    print(*seen)
