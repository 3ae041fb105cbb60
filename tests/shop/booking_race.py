"""Some processes book at the same moment on the database of DATABASE_URL; run by test_concurrent_bookings.

Each books the same job under SAME, and one of its own under TAKEN. Prints as JSON how each of these ended.
"""

import json
import multiprocessing
import os
from datetime import date
from decimal import Decimal
from multiprocessing.queues import Queue
from multiprocessing.synchronize import Barrier
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
django.setup()

from django.db import transaction  # noqa: E402 - needs the setup above

from inventory.models import Place  # noqa: E402
from shop.jobs.bookings import AlreadyBooked, book_new  # noqa: E402
from shop.models import DamageType, GlassType, JobType, Van  # noqa: E402
from shop.web.bookings.customer_fields import Whose, find_or_make  # noqa: E402

PROCESSES = 6
SAME, TAKEN = "B-0001", "B-0002"


def make_world() -> None:
    """Make a van and what a booking names."""
    Van.objects.create(place=Place.objects.create(code="VAN-1", kind="van"))
    JobType.objects.create(code="polish")
    DamageType.objects.get_or_create(code="scratch")
    GlassType.objects.get_or_create(code="tempered")
    find_or_make(Whose("Quay Bakers", is_new=True, phone="", site="Shop", address=""))


def booking(price: int) -> dict[str, Any]:
    """Return what is said of a job."""
    return {
        "van": Van.objects.get(),
        "job_type": JobType.objects.get(),
        "damage_type": DamageType.objects.get(code="scratch"),
        "glass": GlassType.objects.get(code="tempered"),
        "site": find_or_make(Whose("Quay Bakers", is_new=False, phone="", site="", address="")),
        "booked_for": date(2026, 5, 4),
        "price": Decimal(price),
    }


def work(process: int, start: Barrier, ended: "Queue[tuple[str, str]]") -> None:
    """Book both at the same moment as the others."""
    for reference, price in ((SAME, 150), (TAKEN, 100 + process)):
        said = booking(price)
        start.wait()
        try:
            with transaction.atomic():
                _, is_new = book_new(reference, said)
        except AlreadyBooked:
            ended.put((reference, "another's"))
        else:
            ended.put((reference, "new" if is_new else "already"))


def main() -> None:
    """Make the world, let all processes race, and print how it ended for each."""
    make_world()
    django.db.connections.close_all()
    context = multiprocessing.get_context("fork")
    start, ended = context.Barrier(PROCESSES), context.Queue()
    racing = [context.Process(target=work, args=(number, start, ended)) for number in range(PROCESSES)]
    for process in racing:
        process.start()
    found = [ended.get(timeout=120) for _ in range(2 * PROCESSES)]
    for process in racing:
        process.join()
    print(json.dumps({name: sorted(how for of, how in found if of == name) for name in (SAME, TAKEN)}))


if __name__ == "__main__":
    main()
