"""Stock under way to a van stands at a place of its own and stays the shop's."""

from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from inventory import ledger
from inventory.documents import Close, StockLine, Transfer
from inventory.integrity import stock_checks
from inventory.ledger.in_transit import transit_place
from inventory.models import Holding, Place, PlaceKind
from inventory.reports.stock_on_hand import stock_at
from tests.inventory.small_shop import NOW, day, open_shop, receive

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def small_shop() -> None:
    """Start with 10 discs of 25 at the depot."""
    open_shop()
    receive("R-1", 0, ("disc-p400", "10", "25"))


def van(code: str = "van-a") -> Place:
    return Place.objects.get(code=code)


def test_each_van_has_one_place_for_what_is_under_way_to_it() -> None:
    place = transit_place(van())
    assert place == transit_place(van())
    assert (place.code, place.kind, place.bound_for) == ("van-a-UNDER-WAY", "transit", van())
    assert transit_place(van("van-b")) != place


@pytest.mark.parametrize("code", ["v" * 64, "van-c"])
def test_a_code_that_is_too_long_or_taken_is_made_another_one(code: str) -> None:
    Place.objects.create(code="van-c-UNDER-WAY", kind=PlaceKind.DEPOT)
    place = transit_place(Place.objects.create(code=code, kind=PlaceKind.VAN))
    assert place.kind == "transit"
    assert len(place.code) <= 64
    assert transit_place(van()) != place


def test_what_is_under_way_is_stock_of_the_shop_at_its_value() -> None:
    place = transit_place(van())
    ledger.post(Transfer("T-1", day(1), "depot", place.code, (StockLine("disc-p400", Decimal(4)),)), now=NOW)
    # By hand: 10 discs cost 25, so 4 are worth 10.
    rows = {row.place: (row.quantity, row.value) for row in stock_at(NOW)}
    assert rows == {
        "depot": (Decimal(6), Decimal(15)),
        "van-a-UNDER-WAY": (Decimal(4), Decimal(10)),
    }
    ledger.post(Transfer("T-2", day(2), place.code, "van-a", (StockLine("disc-p400", Decimal(4)),)), now=NOW)
    ledger.post(Close("C-1", day(3), "van-a", (StockLine("disc-p400", Decimal(1)),)), now=NOW)
    assert Holding.objects.get(place=place).quantity == 0
    assert Holding.objects.get(place=van()).quantity == 3
    assert list(stock_checks.stock_disagreements()) == []


def test_the_database_refuses_a_place_under_way_to_nowhere_and_a_van_bound_for_another() -> None:
    wrong = (
        {"code": "X", "kind": PlaceKind.TRANSIT},
        {"code": "X", "kind": PlaceKind.VAN, "bound_for": van()},
    )
    for fields in wrong:
        with pytest.raises(IntegrityError), transaction.atomic():
            Place.objects.create(**fields)
