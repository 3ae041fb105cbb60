"""Bad settings are refused by an error that names the thing, the value and the remedy."""

from collections.abc import Callable
from decimal import Decimal
from statistics import NormalDist

import numpy as np
import pytest

from forecasting.stock_control.allocation import Claim, share
from forecasting.stock_control.discrete_demand import quantile
from forecasting.stock_control.eoq import (
    QuantityDiscount,
    order_quantity_with_all_units_discount,
    order_quantity_with_incremental_discount,
)
from forecasting.stock_control.review_policies import order_up_to, whole_packs
from forecasting.stock_control.safety_stock import base_stock, normal_base_stock, safety_stock
from tests.oracles.joint_replenishment import JointItem, joint_replenishment

D = Decimal
NAN = float("nan")
INF = float("inf")
DEMAND = np.array([0.2, 0.5, 0.3])
ONE_PRICE = [QuantityDiscount(D(0), D(5))]


def item(fixed: str = "1", holding: str = "1", demand: str = "1") -> JointItem:
    return JointItem("Disc P800", D(fixed), D(holding), D(demand))


def refused(call: Callable[[], object], thing: str, value: str) -> None:
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the message is checked below, word by word
        call()
    said, _, remedy = str(caught.value).partition("; ")
    assert thing in said
    assert value in said
    assert remedy, f"no remedy in: {said}"


@pytest.mark.parametrize("service_level", [0.0, 1.0, -0.1, 1.5, NAN, INF, -INF])
def test_service_level(service_level: float) -> None:
    normal = NormalDist(10, 3)
    for call in (
        lambda: safety_stock(service_level, normal),
        lambda: normal_base_stock(service_level, normal),
        lambda: base_stock(service_level, DEMAND),
        lambda: quantile(DEMAND, service_level),
    ):
        refused(call, "Service level", str(service_level))


@pytest.mark.parametrize("value", [NAN, INF])
@pytest.mark.parametrize("thing", ["Mean demand", "Deviation of demand"])
def test_normal_demand_that_is_no_number(value: float, thing: str) -> None:
    demand = NormalDist(value, 1) if thing == "Mean demand" else NormalDist(1, value)
    refused(lambda: normal_base_stock(0.9, demand), thing, str(value))


@pytest.mark.parametrize("text", ["0", "-1", "NaN", "sNaN", "Infinity", "-Infinity"])
def test_costs_and_rates_that_are_not_above_zero(text: str) -> None:
    bad = D(text)
    for thing, call in (
        ("Fixed cost", lambda: order_quantity_with_all_units_discount(bad, D(1), D(1), ONE_PRICE)),
        ("Holding rate", lambda: order_quantity_with_all_units_discount(D(1), bad, D(1), ONE_PRICE)),
        ("Demand rate", lambda: order_quantity_with_incremental_discount(D(1), D(1), bad, ONE_PRICE)),
        (
            "unit cost",
            lambda: order_quantity_with_incremental_discount(D(1), D(1), D(1), [QuantityDiscount(D(0), bad)]),
        ),
        ("Shared cost", lambda: joint_replenishment(bad, [item()])),
        ("Disc P800: holding cost", lambda: joint_replenishment(D(1), [item(holding=text)])),
        ("Disc P800: demand rate", lambda: joint_replenishment(D(1), [item(demand=text)])),
        ("Pack size", lambda: whole_packs(D(1), bad)),
    ):
        refused(call, thing, str(bad))


@pytest.mark.parametrize("text", ["-1", "NaN", "Infinity"])
def test_amounts_that_may_be_zero_but_not_less(text: str) -> None:
    bad = D(text)
    refused(lambda: joint_replenishment(D(1), [item(fixed=text)]), "Disc P800: fixed cost", text)
    refused(lambda: whole_packs(D(1), D(1), least=bad), "Least order", text)
    refused(lambda: whole_packs(D(1), D(1), most=bad), "Most to order", text)


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity"])
def test_positions_and_levels_that_are_no_numbers(text: str) -> None:
    bad = D(text)
    refused(lambda: order_up_to(bad, D(1)), "Position", text)
    refused(lambda: order_up_to(D(1), bad), "Level", text)
    refused(lambda: whole_packs(bad, D(1)), "Quantity", text)


@pytest.mark.parametrize(
    ("demand", "value"),
    [
        (np.array([]), "(0,)"),
        (np.array([[0.5, 0.5]]), "(1, 2)"),
        (np.array([0.5, -0.5, 1.0]), "-0.5 of 1 units"),
        (np.array([0.5, NAN]), "nan of 1 units"),
        (np.array([0.5, INF]), "inf of 1 units"),
        (np.array([0.5, 0.4]), "0.9"),
        (np.array([0.9, 0.4]), "1.3"),
    ],
)
def test_arrays_that_are_no_distribution(demand: np.ndarray, value: str) -> None:
    for call in (
        lambda: base_stock(0.9, demand),
        lambda: share(1, [Claim("Van 1", 0, 1, demand)]),
    ):
        refused(call, "Demand distribution", value)


@pytest.mark.parametrize(
    ("breaks", "thing", "value"),
    [
        ([], "Price breaks", "none"),
        ([QuantityDiscount(D(10), D(5))], "the first starts at", "quantity 10"),
        ([QuantityDiscount(D(-1), D(5))], "Price break from quantity", "-1"),
        ([QuantityDiscount(D("NaN"), D(5))], "Price break from quantity", "NaN"),
        (
            [*ONE_PRICE, QuantityDiscount(D(9), D(4)), QuantityDiscount(D(9), D(3))],
            "Price breaks",
            "quantity 9 follows 9",
        ),
        ([*ONE_PRICE, QuantityDiscount(D(9), D(6))], "Price break from quantity 9", "unit cost 6"),
        ([*ONE_PRICE, QuantityDiscount(D(9), D(0))], "Price break from quantity 9: unit cost", "0"),
    ],
)
def test_price_breaks(breaks: list[QuantityDiscount], thing: str, value: str) -> None:
    refused(lambda: order_quantity_with_all_units_discount(D(1), D(1), D(1), breaks), thing, value)
    refused(lambda: order_quantity_with_incremental_discount(D(1), D(1), D(1), breaks), thing, value)


def test_joint_replenishment_of_nothing() -> None:
    refused(lambda: joint_replenishment(D(1), []), "Joint replenishment", "no items")


def test_sharing() -> None:
    refused(lambda: share(-1, []), "Available units", "-1")
    refused(lambda: share(1, [Claim("Van 7", 0, -2, DEMAND)]), "Van 7: wanted units", "-2")
    twice = Claim("Van 7", 0, 2, DEMAND)
    refused(lambda: share(1, [twice, twice]), "Van 7", "twice")
