"""Twenty processes close jobs at once on the database of DATABASE_URL; run by test_concurrent_closes."""

import multiprocessing
import os
import random
import sys
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
django.setup()

from inventory import ledger  # noqa: E402 - models need the setup above
from inventory.documents import Receipt, ReceiptLine  # noqa: E402
from inventory.models import Consumable, Place, Supplier  # noqa: E402
from shop.jobs.close_data import JobClose, UsedLine  # noqa: E402
from shop.jobs.close_job import close_job  # noqa: E402
from shop.models import JobType, Technician, Van  # noqa: E402

PROCESSES = 20
OWN_JOBS = 5
SHARED_JOBS = 5
CODES = ("D-P120", "D-P400", "D-P1000")
START = datetime(2026, 5, 4, 8, tzinfo=UTC)


def make_world() -> None:
    """Make a depot, two vans, three consumables and a receipt of each."""
    depot = Place.objects.create(code="DEPOT", kind="depot")
    for code in ("VAN-1", "VAN-2"):
        Van.objects.create(place=Place.objects.create(code=code, kind="van"))
    Supplier.objects.create(code="S")
    for code in CODES:
        Consumable.objects.create(
            code=code, name=code, kind="counted", stock_unit="each", life_minutes=Decimal(10)
        )
    Technician.objects.create(code="T")
    JobType.objects.create(code="polish")
    lines = tuple(ReceiptLine(code, Decimal(100), Decimal("123.45")) for code in CODES)
    ledger.post(Receipt("R-1", START - timedelta(days=1), "S", depot.code, lines, freight=Decimal("9.99")))


def close(number: int, *, shared: bool) -> JobClose:
    """Return the close of a job; a shared one is the same whichever process sends it."""
    chance = random.Random(number)  # noqa: S311 - examples, not secrets
    name = f"{'S' if shared else 'J'}-{number}"
    uses = tuple(
        UsedLine(code, Decimal(chance.randint(1, 4)), Decimal(10))
        for code in chance.sample(CODES, len(CODES))
    )
    return JobClose(
        id=f"close-{name}",
        job=name,
        van=chance.choice(("VAN-1", "VAN-2")),
        technician="T",
        closed_at=START + timedelta(minutes=chance.randint(0, 5000)),
        job_type="polish",
        damage_type="scratch",
        glass="laminated",
        price=Decimal(150),
        labour_minutes=Decimal(60),
        travel_minutes=Decimal(20),
        outcome="removed",
        uses=uses,
    )


def all_closes() -> list[JobClose]:
    """Return every close once."""
    own = [close(number, shared=False) for number in range(PROCESSES * OWN_JOBS)]
    return own + [close(number, shared=True) for number in range(SHARED_JOBS)]


def work(process: int) -> None:
    """Close this process's own jobs, and between them those that every process sends."""
    closes = [close(process * OWN_JOBS + number, shared=False) for number in range(OWN_JOBS)]
    closes += [close(number, shared=True) for number in range(SHARED_JOBS)]
    random.Random(process).shuffle(closes)  # noqa: S311
    for one in closes:
        close_job(one, by=f"process {process}")


def main() -> int:
    """Make the world, let all processes race, and return how many failed."""
    make_world()
    django.db.connections.close_all()
    racing = [multiprocessing.Process(target=work, args=(process,)) for process in range(PROCESSES)]
    for process in racing:
        process.start()
    for process in racing:
        process.join()
    return sum(process.exitcode != 0 for process in racing)


if __name__ == "__main__":
    multiprocessing.set_start_method("fork")
    sys.exit(main())
