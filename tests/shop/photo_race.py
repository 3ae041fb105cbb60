"""Some processes send photos of one job at once on the database of DATABASE_URL; run by test_photo_limits.

Prints as JSON how many of them were kept and refused, and how many rows there are.
"""

import json
import multiprocessing
import os
import uuid
from io import BytesIO
from multiprocessing.queues import Queue
from multiprocessing.synchronize import Barrier

import django
from PIL import Image

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
django.setup()

from django.utils import timezone  # noqa: E402 - needs the setup above

from shop.jobs.bookings import book_new  # noqa: E402
from shop.jobs.photos import PhotoRefused, keep  # noqa: E402
from shop.models import Job, Moment, Person, Photo, Role  # noqa: E402
from tests.shop.booking_race import booking, make_world  # noqa: E402

PROCESSES, EACH = 5, 8
ALREADY, SENT = 8, PROCESSES * EACH


def picture() -> bytes:
    """Return a small picture."""
    written = BytesIO()
    Image.new("RGB", (64, 48)).save(written, "JPEG")
    return written.getvalue()


def send() -> str:
    """Keep one photo; return what became of it."""
    job, by = Job.objects.get(), Person.objects.get()
    try:
        keep(uuid.uuid4(), picture(), job=job, moment=Moment.BEFORE, by=by, now=timezone.now())
    except PhotoRefused:
        return "refused"
    return "kept"


def work(start: Barrier, ended: "Queue[str]") -> None:
    """Send photos at the same moment as the others."""
    for _ in range(EACH):
        start.wait()
        ended.put(send())


def main() -> None:
    """Make the world, let all processes race, and print how it ended."""
    make_world()
    book_new("J-1", booking(100))
    Person.objects.create(username="ann", role=Role.TECHNICIAN)
    context = multiprocessing.get_context("fork")
    start, ended = context.Barrier(PROCESSES), context.Queue()
    # In a process of its own, so that no thread of this one is left behind when it forks.
    first = context.Process(target=lambda: [send() for _ in range(ALREADY)])
    django.db.connections.close_all()
    first.start()
    first.join()
    racing = [context.Process(target=work, args=(start, ended)) for _ in range(PROCESSES)]
    for process in racing:
        process.start()
    found = [ended.get(timeout=120) for _ in range(SENT)]
    for process in racing:
        process.join()
    counts = {how: found.count(how) for how in ("kept", "refused")}
    print(json.dumps({**counts, "rows": Photo.objects.count()}))


if __name__ == "__main__":
    main()
