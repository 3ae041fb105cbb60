"""A shop that takes bookings."""

from decimal import Decimal

from django.utils import timezone

from shop.models import (
    Customer,
    DamageType,
    GlassType,
    JobType,
    Role,
    Site,
    Technician,
    Van,
)
from tests.shop.desk_pages import person
from tests.shop.estimating.test_quote import work
from tests.shop.world import DISC, open_shop, pay, receive, used

TODAY = timezone.localdate
ESTIMATE = "/jobs/estimate/"
SCRATCH = {"damage_type": "scratch", "job_type": "polish", "glass": "tempered"}


def open_booking_shop() -> None:
    """Open a shop with a technician on VAN-1, a customer with one site and another with two."""
    open_shop()
    for code in ("scratch", "scuff"):
        DamageType.objects.get_or_create(code=code)
    for code in ("tempered", "laminated"):
        GlassType.objects.get_or_create(code=code)
    GlassType.objects.filter(code="laminated").update(caution="Heat harms the interlayer.")
    JobType.objects.filter(code="polish").update(name="Polish a scratch", list_price=Decimal(180))
    Technician.objects.filter(code="ann").update(
        person=person(Role.TECHNICIAN), van=Van.objects.get(place__code="VAN-1")
    )
    for code, name, sites in (
        ("K-007", "Quay Bakers", ("Shop",)),
        ("K-008", "Tram Company", ("North", "South")),
    ):
        customer = Customer.objects.create(code=code, name=name)
        for site in sites:
            Site.objects.create(customer=customer, name=site)


def work_at_cost() -> None:
    """Close twenty jobs of an hour at 60 with two discs at 2, and set no overhead."""
    receive("R-1", "2026-01-05", (DISC, "100", "200"))
    pay("60")
    work(20, used(DISC, "2", "15"))
