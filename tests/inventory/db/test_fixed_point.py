"""Fixed-point amounts go into the database and come back exactly."""

from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.db.models import Max, Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.db.fixed_point import FixedPointField, from_scaled, to_scaled
from inventory.models import Consumable, Holding, Place
from tests.factories import COMPOUND, DEPOT, DISC, PAD, make_shop
from tests.thoroughness import examples

LARGEST = Decimal("99999999999999.9999")


@given(st.integers(-to_scaled(LARGEST), to_scaled(LARGEST)))
def test_scaling_is_exact_both_ways(scaled: int) -> None:
    assert to_scaled(from_scaled(scaled)) == scaled


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "sNaN", "100000000000000", "1E+999999"])
def test_what_is_no_number_or_too_large_is_refused(value: str) -> None:
    with pytest.raises(ValueError, match="is not a number below"):
        to_scaled(Decimal(value))


def test_a_fifth_place_is_refused_not_rounded() -> None:
    with pytest.raises(ValueError, match="more than 4 decimal places"):
        to_scaled(Decimal("0.00005"))


def test_a_float_is_refused() -> None:
    with pytest.raises(ValidationError, match="is a float"):
        FixedPointField().to_python(0.1)


@pytest.fixture
def pairs(db: None) -> list[Holding]:
    make_shop()
    depot = Place.objects.get(code=DEPOT)
    consumables = Consumable.objects.filter(code__in=[DISC, COMPOUND, PAD])
    return [Holding.objects.create(place=depot, consumable=consumable) for consumable in consumables]


@settings(
    max_examples=examples(30), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(values=st.lists(st.integers(-to_scaled(LARGEST), to_scaled(LARGEST)), min_size=3, max_size=3))
def test_amounts_and_their_sums_come_back_exactly(pairs: list[Holding], values: list[int]) -> None:
    amounts = [from_scaled(value) for value in values]
    for holding, amount in zip(pairs, amounts, strict=True):
        holding.quantity = amount
        holding.save()
    stored = list(Holding.objects.order_by("pk").values_list("quantity", flat=True))
    assert stored == amounts
    assert Holding.objects.aggregate(sum=Sum("quantity"), most=Max("quantity")) == {
        "sum": sum(amounts),
        "most": max(amounts),
    }
    assert Holding.objects.filter(quantity=amounts[0]).exists()
    assert Holding.objects.filter(quantity__gt=amounts[0]).count() == sum(a > amounts[0] for a in amounts)


def test_the_database_holds_whole_numbers(pairs: list[Holding]) -> None:
    Holding.objects.filter(pk=pairs[0].pk).update(quantity=Decimal("0.1"))
    with connection.cursor() as cursor:
        cursor.execute("SELECT quantity FROM inventory_holding WHERE id = %s", [pairs[0].pk])
        assert cursor.fetchone() == (1000,)
