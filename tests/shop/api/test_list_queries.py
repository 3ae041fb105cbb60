"""No list of the API asks the database more often when there is more to list."""

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Consumable, ConsumableKind, Pack, Place, PlaceKind, Supplier
from shop.models import Customer, DamageType, GlassType, JobType, Site, Technician, Van
from tests.shop.api.route_table import ROUTES
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in, stock_body

pytestmark = [pytest.mark.django_db, pytest.mark.same_on_each_database]

LISTS = sorted(
    route
    for route, methods in ROUTES.items()
    if route.startswith("api/v1/")
    and route.endswith("/")
    and "<" not in route
    and "GET" in methods
    # Answers one thing, and must be told which; tests/shop/estimating/test_quote.py counts its queries.
    and route != "api/v1/estimates/"
)
MORE = 12


def grow(first: int) -> None:
    """Add some of everything that can be listed."""
    supplier = Supplier.objects.create(code=f"supplier-{first}")
    for number in range(first, first + MORE):
        item = Consumable.objects.create(
            code=f"item-{number}", name="Item", kind=ConsumableKind.COUNTED, stock_unit="each"
        )
        Pack.objects.create(supplier=supplier, consumable=item, name="box", stock_units=Decimal(10))
        Supplier.objects.create(code=f"s-{number}")
        customer = Customer.objects.create(code=f"k-{number}", name="Customer")
        Site.objects.create(customer=customer, name="Shop front")
        Van.objects.create(place=Place.objects.create(code=f"v-{number}", kind=PlaceKind.VAN))
        Technician.objects.create(code=f"t-{number}")
        for kind in (JobType, DamageType, GlassType):
            kind.objects.create(code=f"kind-{number}")
        changes = {"technician": f"t-{number}", "van": f"v-{number}", "job_type": f"kind-{number}"}
        changes |= {"damage_type": f"kind-{number}", "glass": f"kind-{number}"}
        uses = [{"consumable": "disc-p400", "quantity": 1, "minutes": "40"}]
        body = close_body(f"J-{number}x", uses=uses, **changes)
        assert put("olga", "close", f"C-{number}x", body).status_code == 201
        line = [{"consumable": item.code, "quantity": 3, "cost": "6"}]
        receipt = stock_body(11, supplier=supplier.code, place="depot", lines=line)
        assert put("olga", "receipt", f"R-{number}x", receipt).status_code == 201
        counted = [{"place": "depot", "consumable": item.code, "quantity": 2}]
        assert put("olga", "count", f"N-{number}x", stock_body(13, lines=counted)).status_code == 201
        # The same id with other content: refused and kept.
        assert put("olga", "receipt", f"R-{number}x", receipt | {"note": "again"}).status_code == 409


def test_the_number_of_queries_of_every_list_stays_the_same() -> None:
    open_served_shop()
    grow(100)
    client = signed_in("olga")

    def counts() -> dict[str, int]:
        found = {}
        for route in LISTS:
            with CaptureQueriesContext(connection) as queries:
                answer = client.get(f"/{route}")
            assert answer.status_code == 200, (route, answer.content)
            found[route] = len(queries)
        return found

    counts()  # what is read once in a process is read now
    before = counts()
    grow(200)
    assert counts() == before
    assert len(LISTS) > 20
