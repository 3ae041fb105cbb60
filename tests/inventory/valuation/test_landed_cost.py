"""Landed cost: charges shared over the lines of a receipt, to the last digit."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from inventory.valuation.landed_cost import allocate, landed_costs
from tests.thoroughness import examples

D = Decimal
CENT = D("0.01")
STEPS = st.sampled_from([D(1), CENT, D("0.001"), D("0.0001")])
AMOUNTS = st.integers(-(10**13), 10**13).map(lambda scaled: D(scaled).scaleb(-4))
WEIGHTS = st.lists(st.integers(0, 10**11).map(lambda scaled: D(scaled).scaleb(-4)), min_size=1, max_size=12)
many = settings(max_examples=examples(200), deadline=None)


@many
@given(AMOUNTS, WEIGHTS, STEPS)
def test_shares_sum_to_the_amount(amount: Decimal, weights: list[Decimal], step: Decimal) -> None:
    assert sum(allocate(amount, weights, step)) == amount


@many
@given(AMOUNTS, WEIGHTS, STEPS)
def test_each_share_is_the_exact_one_rounded_down_or_up(
    amount: Decimal, weights: list[Decimal], step: Decimal
) -> None:
    assume(any(weights))
    if amount % step:
        step = D("0.0001")
    total = sum(map(Fraction, weights))
    for share, weight in zip(allocate(amount, weights, step), weights, strict=True):
        assert share % step == 0
        assert abs(Fraction(share) - Fraction(amount) * Fraction(weight) / total) < Fraction(step)


@many
@given(st.integers(-(10**9), 10**9), WEIGHTS.filter(any), STEPS)
def test_the_largest_remainders_go_up_and_of_equal_ones_the_earlier_line(
    steps: int, weights: list[Decimal], step: Decimal
) -> None:
    amount = steps * step
    total = sum(map(Fraction, weights))
    exact = [abs(Fraction(amount)) / Fraction(step) * Fraction(weight) / total for weight in weights]
    shares = [abs(Fraction(share)) / Fraction(step) for share in allocate(amount, weights, step)]
    up = [(int(q) - q, line) for line, (q, share) in enumerate(zip(exact, shares, strict=True)) if share > q]
    down = [
        (int(q) - q, line) for line, (q, share) in enumerate(zip(exact, shares, strict=True)) if share < q
    ]
    assert not up or not down or max(up) < min(down)


@many
@given(
    st.lists(st.tuples(st.integers(0, 10**8), st.integers(1, 10**8)), min_size=1, max_size=8),
    st.integers(0, 10**8),
    st.integers(0, 10**8),
    STEPS,
    st.booleans(),
)
def test_landed_costs_sum_to_what_was_paid_and_none_is_negative(
    lines: list[tuple[int, int]], charges: int, discount: int, step: Decimal, by_quantity: bool
) -> None:
    costs = [D(cost).scaleb(-4) for cost, _ in lines]
    quantities = [D(quantity).scaleb(-4) for _, quantity in lines]
    net = D(charges).scaleb(-4) - D(discount).scaleb(-4)
    assume(sum(costs) + net >= 0)
    landed = landed_costs(costs, quantities, net, step, by_quantity=by_quantity)
    assert sum(landed) == sum(costs) + net
    assert min(landed) >= 0


def test_equal_remainders_of_unequal_shares_favour_the_earlier_line() -> None:
    # Exact shares 1 1/3, 1/3, 1/3: the quotients have different numbers of digits, the remainders are equal.
    assert allocate(D("0.02"), [D(4), D(1), D(1)], CENT) == [D("0.02"), 0, 0]


def test_a_line_without_cost_takes_no_freight_shared_by_value() -> None:
    assert landed_costs([D(10), D(0)], [D(1), D(9)], D(5), CENT) == [15, 0]


def test_freight_of_free_goods_is_shared_by_quantity() -> None:
    assert landed_costs([D(0), D(0)], [D(1), D(3)], D(5), CENT) == [D("1.25"), D("3.75")]


def test_freight_is_shared_by_quantity_when_asked() -> None:
    landed = landed_costs([D(90), D(10)], [D(1), D(3)], D(8), CENT, by_quantity=True)
    assert landed == [92, 16]


def test_the_smallest_freight_is_shared_by_quantity_when_asked() -> None:
    landed = landed_costs([D(90), D(10)], [D(1), D(3)], D("0.04"), CENT, by_quantity=True)
    assert landed == [D("90.01"), D("10.03")]


def test_a_cent_of_freight_is_not_split_though_costs_have_parts_of_one() -> None:
    landed = landed_costs([D("0.005"), D("0.005")], [D(1), D(1)], CENT, CENT)
    assert landed == [D("0.015"), D("0.005")]


def test_a_discount_is_never_shared_by_quantity() -> None:
    # By quantity the line of 1.00 would bear 49.50 of the discount.
    landed = landed_costs([D(1), D(100)], [D(99), D(1)], D(-50), CENT, by_quantity=True)
    assert landed == [D("0.50"), D("50.50")]


def test_a_discount_of_whole_cents_over_lines_of_less_leaves_none_negative() -> None:
    landed = landed_costs([D("0.005"), D("0.005")], [D(1), D(1)], D("-0.01"), CENT)
    assert landed == [0, 0]


def test_a_charge_below_the_minor_unit_is_shared_in_ten_thousandths() -> None:
    assert allocate(D("0.0003"), [D(1), D(1)], CENT) == [D("0.0002"), D("0.0001")]


def test_nothing_is_shared_as_nothing() -> None:
    assert allocate(D(0), [D(1), D(2)], CENT) == [0, 0]


def test_no_lines_are_refused() -> None:
    with pytest.raises(ValueError, match="over no lines"):
        allocate(D(1), [], CENT)


def test_a_negative_weight_is_refused() -> None:
    with pytest.raises(ValueError, match="must not be negative"):
        allocate(D(1), [D(1), D(-1)], CENT)


def test_a_line_without_a_quantity_is_refused() -> None:
    with pytest.raises(ValueError, match="shorter"):
        landed_costs([D(1), D(2)], [D(1)], D(1), CENT, by_quantity=True)
