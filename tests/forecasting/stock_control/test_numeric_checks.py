"""Bad settings are refused by an error that names the thing, the value and the remedy."""

from collections.abc import Callable
from decimal import Decimal
from statistics import NormalDist

import numpy as np
import pytest

from forecasting.joint_replenishment import JointItem, joint_replenishment
from forecasting.newsvendor import (
    newsvendor_cost,
    newsvendor_level,
    normal_newsvendor_cost,
    normal_newsvendor_level,
)
from forecasting.reorder_levels import cheapest_reorder_levels, cheapest_reorder_quantity
from forecasting.stock_control.allocation import Claim, share
from forecasting.stock_control.discrete_demand import poisson, quantile
from forecasting.stock_control.eoq import (
    PriceBreak,
    economic_order_quantity,
    economic_order_quantity_with_backorders,
    order_quantity_with_all_units_discount,
    order_quantity_with_incremental_discount,
)
from forecasting.stock_control.review_policies import (
    order_up_to,
    reorder_quantity,
    reorder_up_to,
    whole_packs,
)
from forecasting.stock_control.safety_stock import (
    base_stock,
    interval_demand,
    normal_base_stock,
    safety_stock,
)

D = Decimal
NAN = float("nan")
INF = float("inf")
DEMAND = np.array([0.2, 0.5, 0.3])
ONE_PRICE = [PriceBreak(D(0), D(5))]


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


@pytest.mark.parametrize("value", [-1.0, NAN, INF])
def test_demand_and_lead_time(value: float) -> None:
    refused(lambda: interval_demand(value, 1, 1), "Mean demand", str(value))
    refused(lambda: interval_demand(1, value, 1), "Deviation of demand", str(value))
    refused(lambda: interval_demand(1, 1, value), "Lead time", str(value))
    refused(lambda: interval_demand(1, 1, 1, value), "Deviation of lead time", str(value))
    refused(lambda: interval_demand(1, 1, 1, 0, value), "Review period", str(value))
    refused(lambda: poisson(value, 1), "Demand rate", str(value))
    refused(lambda: poisson(1, value), "Lead time", str(value))


def test_poisson_demand_too_large_for_an_array() -> None:
    refused(lambda: poisson(1e9, 1), "Mean demand", "1000000000.0")


@pytest.mark.parametrize("value", [NAN, INF])
@pytest.mark.parametrize("thing", ["Mean demand", "Deviation of demand"])
def test_normal_demand_that_is_no_number(value: float, thing: str) -> None:
    demand = NormalDist(value, 1) if thing == "Mean demand" else NormalDist(1, value)
    refused(lambda: normal_newsvendor_level(D(1), D(1), demand), thing, str(value))
    refused(lambda: normal_newsvendor_cost(D(1), D(1), D(1), demand), thing, str(value))
    refused(lambda: normal_base_stock(0.9, demand), thing, str(value))


@pytest.mark.parametrize("text", ["NaN", "Infinity"])
def test_a_level_that_is_no_number(text: str) -> None:
    refused(lambda: normal_newsvendor_cost(D(text), D(1), D(1), NormalDist(1, 1)), "Level", text)


@pytest.mark.parametrize("text", ["0", "-1", "NaN", "sNaN", "Infinity", "-Infinity"])
def test_costs_and_rates_that_are_not_above_zero(text: str) -> None:
    bad = D(text)
    for thing, call in (
        ("Fixed cost", lambda: economic_order_quantity(bad, D(1), D(1))),
        ("Holding cost", lambda: economic_order_quantity(D(1), bad, D(1))),
        ("Demand rate", lambda: economic_order_quantity(D(1), D(1), bad)),
        ("Fixed cost", lambda: economic_order_quantity_with_backorders(bad, D(1), D(1), D(1))),
        ("Holding cost", lambda: economic_order_quantity_with_backorders(D(1), bad, D(1), D(1))),
        ("Stockout cost", lambda: economic_order_quantity_with_backorders(D(1), D(1), bad, D(1))),
        ("Fixed cost", lambda: order_quantity_with_all_units_discount(bad, D(1), D(1), ONE_PRICE)),
        ("Holding rate", lambda: order_quantity_with_all_units_discount(D(1), bad, D(1), ONE_PRICE)),
        ("Demand rate", lambda: order_quantity_with_incremental_discount(D(1), D(1), bad, ONE_PRICE)),
        (
            "unit cost",
            lambda: order_quantity_with_incremental_discount(D(1), D(1), D(1), [PriceBreak(D(0), bad)]),
        ),
        ("Holding cost", lambda: newsvendor_level(bad, D(1), DEMAND)),
        ("Stockout cost", lambda: newsvendor_cost(1, D(1), bad, DEMAND)),
        ("Stockout cost", lambda: cheapest_reorder_quantity(D(1), bad, D(1), 1.0, DEMAND)),
        ("Holding cost", lambda: cheapest_reorder_levels(bad, D(1), D(1), DEMAND, DEMAND)),
        ("Shared cost", lambda: joint_replenishment(bad, [item()])),
        ("Disc P800: holding cost", lambda: joint_replenishment(D(1), [item(holding=text)])),
        ("Disc P800: demand rate", lambda: joint_replenishment(D(1), [item(demand=text)])),
        ("Pack size", lambda: whole_packs(D(1), bad)),
        ("Order quantity", lambda: reorder_quantity(D(1), D(1), bad)),
    ):
        refused(call, thing, str(bad))


@pytest.mark.parametrize("text", ["-1", "NaN", "Infinity"])
def test_amounts_that_may_be_zero_but_not_less(text: str) -> None:
    bad = D(text)
    refused(lambda: cheapest_reorder_quantity(D(1), D(1), bad, 1.0, DEMAND), "Fixed cost", text)
    refused(lambda: cheapest_reorder_levels(D(1), D(1), bad, DEMAND, DEMAND), "Fixed cost", text)
    refused(lambda: joint_replenishment(D(1), [item(fixed=text)]), "Disc P800: fixed cost", text)
    refused(lambda: whole_packs(D(1), D(1), least=bad), "Least order", text)
    refused(lambda: whole_packs(D(1), D(1), most=bad), "Most to order", text)


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity"])
def test_positions_and_levels_that_are_no_numbers(text: str) -> None:
    bad = D(text)
    refused(lambda: order_up_to(bad, D(1)), "Position", text)
    refused(lambda: order_up_to(D(1), bad), "Level", text)
    refused(lambda: reorder_up_to(bad, D(1), D(2)), "Position", text)
    refused(lambda: reorder_up_to(D(1), bad, D(2)), "Reorder point", text)
    refused(lambda: reorder_up_to(D(1), D(1), bad), "Level", text)
    refused(lambda: reorder_quantity(bad, D(1), D(2)), "Position", text)
    refused(lambda: reorder_quantity(D(1), bad, D(2)), "Reorder point", text)
    refused(lambda: whole_packs(bad, D(1)), "Quantity", text)


def test_a_level_that_is_not_above_the_reorder_point() -> None:
    refused(lambda: reorder_up_to(D(1), D(5), D(5)), "Level 5", "reorder point 5")


@pytest.mark.parametrize("rate", [0.0, -1.0, NAN, INF])
def test_demand_rate_of_a_reorder_quantity(rate: float) -> None:
    refused(lambda: cheapest_reorder_quantity(D(1), D(1), D(1), rate, DEMAND), "Demand rate", str(rate))


def test_costs_too_far_apart_for_a_critical_ratio() -> None:
    refused(lambda: newsvendor_level(D("1e-30"), D(1), DEMAND), "Critical ratio", "1E-30")


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
        lambda: newsvendor_level(D(1), D(1), demand),
        lambda: cheapest_reorder_quantity(D(1), D(1), D(1), 1.0, demand),
        lambda: cheapest_reorder_levels(D(1), D(1), D(1), demand, DEMAND),
        lambda: cheapest_reorder_levels(D(1), D(1), D(1), DEMAND, demand),
        lambda: share(1, [Claim("Van 1", 0, 1, demand)]),
    ):
        refused(call, "Demand distribution", value)


def test_a_period_without_any_demand_has_no_reorder_levels() -> None:
    refused(
        lambda: cheapest_reorder_levels(D(1), D(1), D(1), np.array([1.0]), np.array([1.0])),
        "Period demand",
        "always 0",
    )


@pytest.mark.parametrize(
    ("breaks", "thing", "value"),
    [
        ([], "Price breaks", "none"),
        ([PriceBreak(D(10), D(5))], "the first starts at", "quantity 10"),
        ([PriceBreak(D(-1), D(5))], "Price break from quantity", "-1"),
        ([PriceBreak(D("NaN"), D(5))], "Price break from quantity", "NaN"),
        (
            [*ONE_PRICE, PriceBreak(D(9), D(4)), PriceBreak(D(9), D(3))],
            "Price breaks",
            "quantity 9 follows 9",
        ),
        ([*ONE_PRICE, PriceBreak(D(9), D(6))], "Price break from quantity 9", "unit cost 6"),
        ([*ONE_PRICE, PriceBreak(D(9), D(0))], "Price break from quantity 9: unit cost", "0"),
    ],
)
def test_price_breaks(breaks: list[PriceBreak], thing: str, value: str) -> None:
    refused(lambda: order_quantity_with_all_units_discount(D(1), D(1), D(1), breaks), thing, value)
    refused(lambda: order_quantity_with_incremental_discount(D(1), D(1), D(1), breaks), thing, value)


def test_joint_replenishment_of_nothing() -> None:
    refused(lambda: joint_replenishment(D(1), []), "Joint replenishment", "no items")


def test_sharing() -> None:
    refused(lambda: share(-1, []), "Available units", "-1")
    refused(lambda: share(1, [Claim("Van 7", 0, -2, DEMAND)]), "Van 7: wanted units", "-2")
    twice = Claim("Van 7", 0, 2, DEMAND)
    refused(lambda: share(1, [twice, twice]), "Van 7", "twice")
