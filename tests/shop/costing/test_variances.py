"""Standard against actual: the sign, the split, and that the parts make the whole."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from shop.costing.formulas import minutes_cost, rounded_share
from shop.costing.variances import direction, labour_variances, material_variances

D = Decimal
amounts = st.decimals(min_value=0, max_value=10**6, places=4)


def test_paying_more_and_using_more_are_both_unfavourable() -> None:
    split = material_variances(
        actual_quantity=D(5), actual_cost=D(11), standard_quantity=D(4), standard_price=D(2)
    )
    assert (split.price, split.quantity, split.total) == (D(1), D(2), D(3))
    assert direction(split.price) == "unfavourable"


def test_a_quicker_cheaper_hand_is_favourable() -> None:
    split = labour_variances(
        actual_minutes=D(45), actual_cost=D(27), standard_minutes=D(60), standard_rate_per_hour=D(40)
    )
    assert (split.rate, split.efficiency, split.total) == (D(-3), D(-10), D(-13))
    assert direction(split.efficiency) == "favourable"


def test_as_planned_is_neither() -> None:
    assert direction(D("0.0000")) == "none"


def test_a_month_that_undoes_more_work_than_it_does_has_variances_of_the_other_sign() -> None:
    done = {"actual_minutes": 65, "actual_cost": 70, "standard_minutes": 50}
    rate = Decimal(60)
    split = labour_variances(**{k: Decimal(v) for k, v in done.items()}, standard_rate_per_hour=rate)
    undone = labour_variances(**{k: Decimal(-v) for k, v in done.items()}, standard_rate_per_hour=rate)
    assert (undone.rate, undone.efficiency) == (-split.rate, -split.efficiency)
    assert (split.rate, split.efficiency) == (Decimal(5), Decimal(15))


@given(amounts, amounts, amounts, amounts)
def test_the_parts_make_the_whole_to_the_last_digit(
    actual_quantity: Decimal, actual_cost: Decimal, standard_quantity: Decimal, standard: Decimal
) -> None:
    material = material_variances(
        actual_quantity=actual_quantity,
        actual_cost=actual_cost,
        standard_quantity=standard_quantity,
        standard_price=standard,
    )
    assert material.total == actual_cost - rounded_share(standard_quantity, standard, D(1))
    labour = labour_variances(
        actual_minutes=actual_quantity,
        actual_cost=actual_cost,
        standard_minutes=standard_quantity,
        standard_rate_per_hour=standard,
    )
    assert labour.total == actual_cost - minutes_cost(standard_quantity, standard)


@given(amounts, amounts, amounts, amounts)
def test_using_more_is_never_more_favourable(
    one: Decimal, other: Decimal, base: Decimal, price: Decimal
) -> None:
    less, more = sorted((one, other))
    by_quantity = [
        material_variances(
            actual_quantity=used, actual_cost=D(0), standard_quantity=base, standard_price=price
        ).quantity
        for used in (less, more)
    ]
    assert by_quantity[0] <= by_quantity[1]
