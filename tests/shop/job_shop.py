"""A shop with two vans and a technician, for tests of commands: `tests.inventory.small_shop` with jobs."""

from decimal import Decimal

from inventory.models import Place
from shop.jobs.close_data import JobClose, UsedLine
from shop.jobs.close_job import close_job
from shop.models import JobType, Technician, Van
from tests.inventory.small_shop import NOW, day, open_shop


def open_job_shop() -> None:
    """Make the places and consumables, vans for the places, a technician and a job type."""
    open_shop()
    for place in Place.objects.filter(kind="van"):
        Van.objects.create(place=place)
    Technician.objects.create(code="ann")
    JobType.objects.create(code="scratch-small")


def close(job: str, on: int, *uses: UsedLine, van: str = "van-a") -> None:
    """Close a job of one hour's labour and half an hour's travel at a price of 100."""
    close_job(
        JobClose(
            id=job,
            job=job,
            van=van,
            technician="ann",
            closed_at=day(on),
            job_type="scratch-small",
            damage_type="scratch",
            glass="tempered",
            price=Decimal(100),
            labour_minutes=Decimal(60),
            travel_minutes=Decimal(30),
            outcome="removed",
            uses=uses,
        ),
        now=NOW,
    )
