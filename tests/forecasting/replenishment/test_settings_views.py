"""The settings of restocks: service levels, intervals, and how a consumable is held on vans."""

from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError

from forecasting.models import ConsumableTerms, Restock, StockingTerms, VanSpace
from inventory.models import Consumable, Lot, Place
from tests.forecasting.replenishment.test_views import BURN, see, send
from tests.forecasting.restock_shop import COMPOUND, DISC, draft, forecast
from tests.shop.api.served_shop import open_served_shop

pytestmark = pytest.mark.django_db


@pytest.fixture
def restock() -> Restock:
    """Draft van-a's restock in a shop of five people: 70 discs less 50 on board, and 70 ml of compound."""
    open_served_shop()
    # The site asks the clock, by which this compound expired long ago.
    Lot.objects.update(expires_on=None)
    StockingTerms.objects.update(van_lead_days=0)
    burn = {(van, consumable): BURN for van in ("van-a", "van-b") for consumable in (DISC, COMPOUND)}
    return draft(forecast(burn))["van-a"]


TERMS = {
    "review_days": "7",
    "van_lead_days": "2",
    "restock_from": "",
    "service_stops_a_job": "0.99",
    "service_a": "0.95",
    "service_b": "0.9",
    "service_c": "0.85",
    "a_share": "0.7",
    "b_share": "0.9",
}


def test_settings_are_kept_and_go_into_the_next_draft(restock: Restock) -> None:
    assert "Saved." in send("sue", "/restocks/settings/", **TERMS).text
    terms = StockingTerms.objects.get()
    assert (terms.service_stops_a_job, terms.a_share, terms.interval_days) == (
        Decimal("0.99"),
        Decimal("0.7"),
        9,
    )


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("van_lead_days", "-1", "This is negative; give 0"),
        ("review_days", "0", "give 1 or more"),
        ("review_days", "", "required"),
        ("service_a", "1", "1 is above 0.999: no stock is certain to last"),
        ("service_c", "0.2", "0.2 is under 0.5"),
        ("a_share", "0.95", "0.9 is not above the share of class A"),
        ("b_share", "1", "1 is above 0.99"),
        ("restock_from", "van", "not one of the available choices"),
    ],
)
def test_bad_settings_are_refused_with_the_reason(
    restock: Restock, field: str, value: str, said: str
) -> None:
    value = str(Place.objects.get(code="van-a").pk) if value == "van" else value
    before = StockingTerms.objects.values().get()
    assert said in send("sue", "/restocks/settings/", **{**TERMS, field: value}).text
    assert StockingTerms.objects.values().get() == before


def test_how_a_consumable_is_held_is_kept_with_the_room_of_each_van(restock: Restock) -> None:
    compound = Consumable.objects.get(code=COMPOUND)
    path = f"/restocks/settings/{compound.pk}/"
    assert "Room on van-a" in see("sue", path).text
    van = Place.objects.get(code="van-a")
    said = {"stops_a_job": "on", "service": "", "usable_unit": "250", f"room-{van.pk}": "1000"}
    assert "Saved for compound" in send("sue", path, **said).text
    terms = ConsumableTerms.objects.get()
    assert (terms.stops_a_job, terms.service, terms.usable_unit) == (True, None, 250)
    assert VanSpace.objects.get().quantity == 1000
    assert "stops a job" in see("sue", "/restocks/settings/").text
    send("sue", path, usable_unit="1", service="0.97")
    assert not VanSpace.objects.exists()
    assert ConsumableTerms.objects.get().service == Decimal("0.97")


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ({"usable_unit": "0"}, "0 is not above 0; give 1 for single units"),
        ({"usable_unit": "-5"}, "-5 is not above 0"),
        ({"usable_unit": "1", "service": "1"}, "no stock is certain to last"),
        ({"usable_unit": "1", "room": "-2"}, "This is negative"),
    ],
)
def test_a_consumable_cannot_be_held_in_a_way_that_cannot_be(
    restock: Restock, said: dict[str, str], expected: str
) -> None:
    disc = Consumable.objects.get(code=DISC)
    van = Place.objects.get(code="van-a")
    sent = {(f"room-{van.pk}" if name == "room" else name): value for name, value in said.items()}
    assert expected in send("sue", f"/restocks/settings/{disc.pk}/", **sent).text
    assert not ConsumableTerms.objects.exists()
    assert not VanSpace.objects.exists()


def test_room_is_for_vans_and_a_depot_fills_them() -> None:
    open_served_shop()
    depot, van = Place.objects.get(code="depot"), Place.objects.get(code="van-a")
    with pytest.raises(ValidationError, match="not a van"):
        VanSpace(place=depot, consumable=Consumable.objects.get(code=DISC), quantity=Decimal(1)).full_clean()
    terms = StockingTerms.objects.get()
    terms.restock_from = van
    with pytest.raises(ValidationError, match="no depot"):
        terms.clean()
