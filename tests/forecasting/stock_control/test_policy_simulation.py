"""The replay of a policy: against a walk through one series at a time, closed forms and another program."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from stockpyl.sim import simulation
from stockpyl.supply_chain_network import single_stage_system

from forecasting.stock_control.discrete_demand import expected_shortages
from forecasting.stock_control.policy_simulation import SimulationResult, replay
from tests.oracles.poisson import poisson


@dataclass
class Walk:
    """What one series comes to, counted by hand."""

    served: float = 0.0
    opening: float = 0.0
    ending: float = 0.0
    owed: float = 0.0
    cycles: int = 0
    lasted: int = 0


def walk(
    demand: list[int], levels: list[int], *, lead: int, review: int, backorders: bool, unit: int, skip: int
) -> Walk:
    """The same policy as slowly and plainly as can be: a list of orders with the week they arrive in."""
    found = Walk()
    on_hand, owed = -(-levels[0] // unit) * unit, 0
    orders: list[tuple[int, int]] = []
    short: set[int] = set()
    for week, wanted in enumerate(demand):
        on_hand += sum(quantity for due, quantity in orders if due == week)
        if week % review == 0:
            on_order = sum(quantity for due, quantity in orders if due > week)
            missing = max(levels[week] - (on_hand - owed + on_order), 0)
            orders.append((week + lead, -(-missing // unit) * unit))
            if lead == 0:
                on_hand += orders[-1][1]
        paid = min(on_hand, owed)
        on_hand, owed = on_hand - paid, owed - paid
        met = min(on_hand, wanted)
        if met < wanted:
            short.add(week)
        if week >= skip:
            found.opening += on_hand
            found.served += met
            found.ending += on_hand - met
        on_hand -= met
        if backorders:
            owed += wanted - met
        if week >= skip:
            found.owed += owed
    for start in range(lead, len(demand) - review + 1, review):
        if start >= skip:
            found.cycles += 1
            found.lasted += not short & set(range(start, start + review))
    return found


@st.composite
def cases(draw: st.DrawFn) -> dict[str, Any]:
    series, weeks = draw(st.integers(1, 4)), draw(st.integers(1, 12))
    rows = st.lists(st.integers(0, 9), min_size=weeks, max_size=weeks)
    panel = st.lists(rows, min_size=series, max_size=series)
    return {
        "demand": draw(panel),
        "levels": draw(panel),
        "unit": draw(st.lists(st.integers(1, 4), min_size=series, max_size=series)),
        "lead": draw(st.integers(0, 4)),
        "review": draw(st.integers(1, 4)),
        "backorders": draw(st.booleans()),
        "skip": draw(st.integers(0, weeks - 1)),
    }


@given(cases())
@settings(max_examples=300)
def test_a_panel_comes_to_what_each_series_comes_to_by_itself(case: dict[str, Any]) -> None:
    found = replay(
        case["demand"],
        case["levels"],
        lead_periods=case["lead"],
        review_periods=case["review"],
        backorders=case["backorders"],
        usable_unit=case["unit"],
        skip_periods=case["skip"],
    )
    for i, (demand, levels, unit) in enumerate(
        zip(case["demand"], case["levels"], case["unit"], strict=True)
    ):
        times = {name: case[name] for name in ("lead", "review", "backorders", "skip")}
        slow = walk(demand, levels, unit=unit, **times)
        assert (found.served[i], found.opening[i], found.ending[i], found.owed[i]) == (
            slow.served,
            slow.opening,
            slow.ending,
            slow.owed,
        )
        assert (found.cycles, found.lasted[i]) == (slow.cycles, slow.lasted)
        assert found.demand[i] == sum(demand[case["skip"] :])


def poisson_panel(mean: float, level: int, lead_periods: int, backorders: bool = True) -> SimulationResult:
    demand = np.random.default_rng(7).poisson(mean, (4000, 60))
    return replay(
        demand,
        np.full(demand.shape, level),
        lead_periods=lead_periods,
        review_periods=1,
        backorders=backorders,
        skip_periods=10,
    )


def test_poisson_base_stock_costs_what_the_newsvendor_says() -> None:
    # Snyder and Shen, Fundamentals of Supply Chain Theory, 2nd ed., newsvendor, Poisson demand of mean 50:
    # holding 0.18, stockout 0.70: level 56, cost 1.7972 (as stockpyl 1.0.2 gives it).
    # With lead 1 and review 1, two weeks of mean 25 are the 50 to last.
    found = poisson_panel(25, 56, lead_periods=1)
    weekly = (0.18 * found.ending + 0.70 * found.owed) / found.periods
    assert weekly.mean() == pytest.approx(1.7972, abs=4 * float(weekly.std()) / np.sqrt(len(weekly)))


@pytest.mark.parametrize("lead_periods", [0, 1, 3])
@pytest.mark.parametrize("level", [2, 5, 9])
def test_poisson_stock_fill_rate_and_service_are_those_of_the_closed_forms(
    level: int, lead_periods: int
) -> None:
    # Base stock with backorders (Hadley and Whitin; from memory): at the end of a week the level less the
    # demand of lead + review weeks is left or owed; what of it came in the last week was not served at once.
    mean = 1.2
    found = poisson_panel(mean, level, lead_periods)
    after, before = poisson(mean, lead_periods + 1), poisson(mean, lead_periods)
    owed_after, owed_before = expected_shortages(after)[level], expected_shortages(before)[level]
    spread = 4 / np.sqrt(len(found.demand))

    def near(sums: npt.NDArray[np.float64], expected: float) -> bool:
        per_week = sums / found.periods
        return bool(abs(per_week.mean() - expected) < spread * per_week.std() + 1e-6)

    assert near(found.owed, owed_after)
    assert near(found.ending, level - mean * (lead_periods + 1) + owed_after)
    assert near(found.demand - found.served, owed_after - owed_before)
    # A week is not short when its demand fits what is on hand, or when there is none.
    lasts = float(after[: level + 1].sum())
    lasts += float(stats.poisson.pmf(0, mean)) * float(before[level + 1 :].sum())
    assert near(found.lasted * found.periods / found.cycles, lasts)


@pytest.mark.parametrize(("lead_periods", "level"), [(0, 4), (1, 6), (2, 5)])
def test_every_week_ends_as_stockpyl_simulates_it(lead_periods: int, level: int) -> None:
    # stockpyl orders after the week's demand is known, so its lead time is one longer for the same policy.
    demand = [int(x) for x in np.random.default_rng(lead_periods).poisson(2, 40)]
    network = single_stage_system(
        demand_type="D",
        demand_list=demand,
        policy_type="BS",
        base_stock_level=level,
        shipment_lead_time=lead_periods + 1,
    )
    simulation(network, len(demand), rand_seed=1, progress_bar=False)
    node = network.nodes[0]
    for week in range(len(demand)):
        found = replay(
            [demand[: week + 1]],
            [[level] * (week + 1)],
            lead_periods=lead_periods,
            review_periods=1,
            backorders=True,
            skip_periods=week,
        )
        (level_there,) = node.state_vars[week].inventory_level.values()
        assert found.ending[0] - found.owed[0] == level_there


def test_totals_add_the_series_up() -> None:
    found = replay(
        [[1, 1, 4, 0], [0, 0, 0, 0]], [[3] * 4, [2] * 4], lead_periods=1, review_periods=1, backorders=False
    )
    # Series 1: 3 on hand, 1 taken; 1 ordered, 1 taken; 1 comes, which makes 2, 1 ordered, 2 of 4 served.
    assert found.served.tolist() == [4, 0]
    assert found.fill_rate[0] == pytest.approx(4 / 6)
    assert np.isnan(found.fill_rate[1])
    assert found.total_fill_rate() == pytest.approx(4 / 6)
    assert found.cycles == 3
    assert found.cycle_service.tolist() == [pytest.approx(2 / 3), 1]
    assert found.total_cycle_service() == pytest.approx(5 / 6)
    assert found.total_average_stock() == pytest.approx(float(found.average_stock.sum()))


def test_where_nothing_was_wanted_there_is_no_fill_rate() -> None:
    found = replay([[0, 0]], [[1, 1]], lead_periods=4, review_periods=3, backorders=True)
    assert found.total_fill_rate() is None
    assert found.total_cycle_service() is None
    assert np.isnan(found.cycle_service).all()


def test_owed_is_paid_before_anything_is_stock_again_and_lost_never_is() -> None:
    wanted, levels = [[5, 0, 0]], [[2, 2, 2]]
    owed = replay(wanted, levels, lead_periods=1, review_periods=1, backorders=True)
    lost = replay(wanted, levels, lead_periods=1, review_periods=1, backorders=False)
    assert owed.served.tolist() == lost.served.tolist() == [2]
    assert owed.owed.tolist() == [3 + 3]
    assert lost.owed.tolist() == [0]
    assert (owed.ending.tolist(), lost.ending.tolist()) == ([2], [2])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"demand": [1, 2]}, r"Demand of shape \(2,\) is not \(series, periods\)"),
        ({"demand": [[]], "levels": [[]]}, "with at least one of each"),
        ({"levels": [[1.0]]}, r"Levels of shape \(1, 1\) do not match"),
        ({"demand": [[1, -2]]}, r"Demand \[0, 1\]: -2.0 is not a number of 0 or more"),
        ({"demand": [[1, float("nan")]]}, r"Demand \[0, 1\]: nan"),
        ({"levels": [[1, float("inf")]]}, r"Levels \[0, 1\]: inf"),
        ({"lead_periods": -1}, "Lead time -1 is negative"),
        ({"review_periods": 0}, "Review period 0 is under 1"),
        ({"skip_periods": 2}, "2 of 2 periods are not to count"),
        ({"skip_periods": -1}, "-1 of 2 periods are not to count"),
        ({"usable_unit": [1, 2]}, r"Usable units of shape \(2,\) do not give one number for each series"),
        ({"usable_unit": -1.0}, r"Usable units \[\]: -1.0"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(changes: dict[str, Any], says: str) -> None:
    given = {
        "demand": [[1, 2]],
        "levels": [[3, 3]],
        "lead_periods": 1,
        "review_periods": 1,
        "backorders": True,
    }
    with pytest.raises(ValueError, match=says):
        replay(**{**given, **changes})
