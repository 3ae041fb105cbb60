"""Order policies against published examples.

Snyder and Shen: Fundamentals of Supply Chain Theory, 2nd ed., as shipped in the package stockpyl 1.0.2, where
each example was run; its documentation gives the example's number where it is named here. [memory]: inputs
and answer recalled from the book, not read again; the answer follows from the inputs by arithmetic, to the
digit. [read]: inputs and answer read in a stored copy of the source.
"""

from decimal import Decimal
from math import sqrt
from statistics import NormalDist

import pytest

from forecasting.stock_control.eoq import (
    QuantityDiscount,
    order_quantity_with_all_units_discount,
    order_quantity_with_incremental_discount,
)
from forecasting.stock_control.safety_stock import base_stock, normal_base_stock, safety_stock
from tests.oracles.joint_replenishment import JointItem, joint_replenishment
from tests.oracles.poisson import poisson

D = Decimal

SNYDER_SHEN_BREAKS = [
    QuantityDiscount(D(0), D("0.75")),
    QuantityDiscount(D(400), D("0.72")),
    QuantityDiscount(D(800), D("0.68")),
]


def test_economic_order_quantity() -> None:
    # Snyder and Shen, Example 3.1: 0.225 is 0.3 of the price of 0.75; its cost is without the purchases.
    answer = order_quantity_with_all_units_discount(
        D(8), D("0.3"), D(1300), [QuantityDiscount(D(0), D("0.75"))]
    )
    assert (answer.quantity, answer.cost - 1300 * D("0.75")) == (D("304.0468"), D("68.4105"))


def test_economic_order_quantity_of_a_resistor() -> None:
    # Silver, Pyke and Thomas, the 3-ohm resistor: 3.20 an order, 2,400 a year at 0.40, carrying charge 0.24 a
    # year: 400 units. [memory]
    one_price = [QuantityDiscount(D(0), D("0.40"))]
    answer = order_quantity_with_all_units_discount(D("3.20"), D("0.24"), D(2400), one_price)
    assert answer.quantity == 400


def test_all_units_discount() -> None:
    # Snyder and Shen, the chapter's discount structure: 800 units, the third region.
    answer = order_quantity_with_all_units_discount(D(8), D("0.3"), D(1300), SNYDER_SHEN_BREAKS)
    assert (answer.quantity, answer.cost) == (D(800), D("978.60"))
    assert answer.price_break == SNYDER_SHEN_BREAKS[2]


def test_incremental_discount() -> None:
    # Snyder and Shen, the same structure: the first region.
    answer = order_quantity_with_incremental_discount(D(8), D("0.3"), D(1300), SNYDER_SHEN_BREAKS)
    assert (answer.quantity, answer.cost) == (D("304.0468"), D("1043.4105"))
    assert answer.price_break == SNYDER_SHEN_BREAKS[0]


@pytest.mark.parametrize(
    ("demand_rate", "unit_cost", "quantity"),
    [(D(416), D("14.20"), 100), (D(104), D("3.10"), 20), (D(4160), D("2.40"), 149)],
)
def test_discount_of_two_percent_from_a_hundred_units(
    demand_rate: Decimal, unit_cost: Decimal, quantity: int
) -> None:
    # Silver, Pyke and Thomas, components A, B and C: 1.50 an order, carrying charge 0.24 a year, 2% off
    # orders of 100 or more; A is ordered at the break, B below it, C above it. [memory]
    breaks = [QuantityDiscount(D(0), unit_cost), QuantityDiscount(D(100), unit_cost * D("0.98"))]
    answer = order_quantity_with_all_units_discount(D("1.50"), D("0.24"), demand_rate, breaks)
    assert round(answer.quantity) == quantity


def test_joint_replenishment() -> None:
    # Snyder and Shen, as run in stockpyl: three items with demand 1.
    items = [
        JointItem("1", D(120), D(160), D(1)),
        JointItem("2", D(840), D(20), D(1)),
        JointItem("3", D(300), D(50), D(1)),
    ]
    plan = joint_replenishment(D(600), items)
    assert plan.multiples == (1, 3, 1)
    assert (plan.base_cycle, plan.cost) == (D("3.1032"), D("837.8544"))
    assert plan.quantities == (D("3.1032"), D("9.3095"), D("3.1032"))


def test_joint_replenishment_of_a_family_of_four() -> None:
    # Silver, Pyke and Thomas: 40 an order and 15 an item; yearly use at cost 86,000, 12,500, 1,400 and 3,000;
    # carrying charge 0.24: multiples 1, 1, 4, 3 and 2,067.65 a year. [memory]
    items = [JointItem(str(use), D(15), D("0.24"), D(use)) for use in (86_000, 12_500, 1_400, 3_000)]
    plan = joint_replenishment(D(40), items)
    assert plan.multiples == (1, 1, 4, 3)
    assert round(plan.cost, 2) == D("2067.65")


def test_base_stock_at_the_critical_ratio() -> None:
    # Snyder and Shen: the newsvendor examples are base stocks at service level 0.70 / 0.88.
    assert normal_base_stock(0.70 / 0.88, NormalDist(50, 8)) == D("56.6040")
    assert base_stock(0.70 / 0.88, poisson(50, 1)) == 56


def over_lead_time(mean: float, deviation: float, lead_time: float, its_deviation: float = 0) -> NormalDist:
    """Return normal demand over a lead time that varies by itself: variance L sd^2 + mean^2 sd_L^2."""
    return NormalDist(mean * lead_time, sqrt(lead_time * deviation**2 + mean**2 * its_deviation**2))


def test_safety_stock_with_variable_lead_time() -> None:
    # Chopra and Meindl, Supply Chain Management: 2,500 a day, deviation 500; lead time 7 days, deviation 7;
    # service 90%: deviation 17,550 (printed 17,500), safety stock 22,491. [memory]
    demand = over_lead_time(2500, 500, 7, 7)
    assert demand.stdev == pytest.approx(17_550, abs=0.5)
    assert round(safety_stock(0.90, demand)) == 22_491


def test_safety_stock_with_variable_demand_and_lead_time() -> None:
    # A worked exercise on jsfiddle.net/parte/16251922: 30 gallons a day, deviation 3; lead time 7 days,
    # deviation 4; service 90%: 154 gallons. [read] (It rounds z to 1.28 and gets 153.94 before rounding.)
    assert round(safety_stock(0.90, over_lead_time(30, 3, 7, 4))) == 154


def test_reorder_point_with_fixed_lead_time() -> None:
    # Taylor, Introduction to Management Science, chapter 16 (stored at flylib.com): carpet, 30 yards a day,
    # deviation 5, lead time 10 days, service 95% with a table's z of 1.65. [inputs read; answers computed]
    # 1.65 x 5 x sqrt(10) = 26.09 and 326.09; z is 1.6449, and the difference less than 0.1 yard.
    demand = over_lead_time(30, 5, 10)
    assert float(safety_stock(0.95, demand)) == pytest.approx(26.09, abs=0.1)
    assert float(normal_base_stock(0.95, demand)) == pytest.approx(326.09, abs=0.1)
