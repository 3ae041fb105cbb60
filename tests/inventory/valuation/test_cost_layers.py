"""Valuation: what comes in goes out again or is still there, by FIFO and by moving average."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.valuation.cost_layers import (
    Adjustment,
    CostFormula,
    Origin,
    Pool,
    PoolEffect,
    PoolEvent,
    Valuation,
    proportion,
    value_events,
)
from tests.thoroughness import examples

D = Decimal
LAST_PLACE = Fraction(1, 10_000)
METHODS = st.sampled_from(CostFormula)
QUANTITIES = st.one_of(
    st.integers(1, 20).map(Decimal), st.integers(1, 10**8).map(lambda scaled: Decimal(scaled).scaleb(-4))
)
VALUES = st.integers(0, 10**9).map(lambda scaled: Decimal(scaled).scaleb(-4))
many = settings(max_examples=examples(150), deadline=None)


def run(events: Sequence[PoolEvent], method: CostFormula, opening: Pool | None = None) -> Valuation:
    return value_events(events, opening or Pool(method), origins_of(events))


def origins_of(events: Sequence[PoolEvent]) -> dict[int, Origin]:
    by_key = {event.key: event for event in events}
    return {
        event.origin: Origin(by_key[event.origin].quantity, D(0))
        for event in events
        if event.origin is not None
    }


def receipt(key: int, quantity: int | str, value: int | str) -> PoolEvent:
    return PoolEvent(key, PoolEffect.RECEIPT, D(quantity), D(value))


def issue(key: int, quantity: int | str) -> PoolEvent:
    return PoolEvent(key, PoolEffect.ISSUE, D(quantity))


def values(valuation: Valuation) -> list[Decimal]:
    return [valued.value for valued in valuation.values]


@st.composite
def histories(draw: st.DrawFn, *, only: Sequence[PoolEffect] = tuple(PoolEffect)) -> list[PoolEvent]:
    """Draw events of one consumable, each return and credit within what its origin moved."""
    events: list[PoolEvent] = []
    left: dict[int, Decimal] = {}
    for key in range(draw(st.integers(0, 14))):
        effect = draw(st.sampled_from(only))
        undone = PoolEffect.ISSUE if effect is PoolEffect.RETURN else PoolEffect.RECEIPT
        if effect in (PoolEffect.RETURN, PoolEffect.CREDIT):
            origins = [e for e in events if e.effect is undone and left[e.key]]
            if not origins:
                continue
            origin = draw(st.sampled_from(origins))
            part = draw(st.sampled_from([1, 2, 3]))
            quantity = (
                min((left[origin.key] / part).quantize(D("0.0001")), left[origin.key]) or left[origin.key]
            )
            left[origin.key] -= quantity
            events.append(PoolEvent(key, effect, quantity, origin=origin.key))
        else:
            quantity = draw(QUANTITIES)
            left[key] = quantity
            value = draw(VALUES) if effect is PoolEffect.RECEIPT else D(0)
            events.append(PoolEvent(key, effect, quantity, value))
    return events


def flow(events: Sequence[PoolEvent], valuation: Valuation) -> Decimal:
    """Return the value that came in less the value that went out."""
    incoming = (PoolEffect.RECEIPT, PoolEffect.GAIN, PoolEffect.RETURN)
    return sum(
        (
            valued.value if event.effect in incoming else -valued.value
            for event, valued in zip(events, valuation.values, strict=True)
        ),
        D(0),
    )


@many
@given(histories(), METHODS)
def test_value_is_conserved_to_the_last_digit(events: list[PoolEvent], method: CostFormula) -> None:
    valuation = run(events, method)
    adjusted = sum((adjustment.amount for adjustment in valuation.adjustments), D(0))
    assert flow(events, valuation) == adjusted + valuation.closing.value


@many
@given(histories(), METHODS)
def test_quantity_is_the_sum_of_what_came_and_went(events: list[PoolEvent], method: CostFormula) -> None:
    incoming = (PoolEffect.RECEIPT, PoolEffect.GAIN, PoolEffect.RETURN)
    moved = sum((e.quantity if e.effect in incoming else -e.quantity for e in events), D(0))
    assert run(events, method).closing.quantity == moved


@many
@given(histories(), METHODS)
def test_no_value_has_more_than_4_places_or_is_negative(events: list[PoolEvent], method: CostFormula) -> None:
    valuation = run(events, method)
    for value in values(valuation):
        assert value >= 0
        assert value == round(value, 4)
    assert all(value >= 0 for _, value in valuation.closing.layers)


@many
@given(histories(), METHODS, st.data())
def test_a_run_cut_anywhere_and_resumed_from_its_stored_pool_is_the_run(
    events: list[PoolEvent], method: CostFormula, data: st.DataObject
) -> None:
    whole = run(events, method)
    cut = data.draw(st.integers(0, len(events)))
    origins = origins_of(events)
    first = value_events(events[:cut], Pool(method), origins)
    second = value_events(events[cut:], Pool.from_json(first.closing.to_json()), origins)
    assert first.values + second.values == whole.values
    assert first.adjustments + second.adjustments == whole.adjustments
    assert second.closing == whole.closing


@many
@given(histories(), METHODS)
def test_the_opening_pool_is_left_as_it_is(events: list[PoolEvent], method: CostFormula) -> None:
    opening = Pool(method)
    opening.receive(-1, D(3), D(10))
    before = opening.copy()
    run(events, method, opening)
    assert opening == before


@many
@given(histories(), METHODS)
def test_emptying_the_pool_leaves_exactly_nothing(events: list[PoolEvent], method: CostFormula) -> None:
    closing = run(events, method).closing
    if closing.quantity > 0:
        value, provisional = closing.copy().issue(99, closing.quantity)
        assert (value, provisional) == (closing.value, False)
        emptied = run([issue(99, str(closing.quantity))], method, closing).closing
        assert (emptied.quantity, emptied.value, len(emptied.layers)) == (D(0), D(0), 0)


@many
@given(histories(), METHODS)
def test_stock_and_debt_are_never_held_at_once(events: list[PoolEvent], method: CostFormula) -> None:
    closing = run(events, method).closing
    assert not (closing.layers and closing.owed)
    if method is CostFormula.MOVING_AVERAGE:
        assert len(closing.layers) <= 1


@many
@given(histories(), METHODS, VALUES)
def test_a_receipt_of_all_that_is_owed_settles_every_provisional_issue(
    events: list[PoolEvent], method: CostFormula, value: Decimal
) -> None:
    closing = run(events, method).closing
    owed = {key: (quantity, valued) for key, quantity, valued in closing.owed}
    if not owed:
        return
    settled = run([PoolEvent(99, PoolEffect.RECEIPT, -closing.quantity, value)], method, closing)
    assert (settled.closing.quantity, settled.closing.value) == (D(0), D(0))
    assert {a.adjusts: (a.quantity, a.valued) for a in settled.adjustments} == owed
    assert sum((a.actual for a in settled.adjustments), D(0)) == value


@many
@given(histories(only=[PoolEffect.RECEIPT, PoolEffect.ISSUE]))
def test_fifo_takes_the_oldest_units_first(events: list[PoolEvent]) -> None:
    """Against layers of exact unit costs: an issue differs by at most a rounding per layer it touches."""
    layers: list[list[Fraction]] = []
    touched: dict[int, int] = {}
    slack = Fraction(0)
    valuation = run(events, CostFormula.FIFO)
    for event, valued in zip(events, valuation.values, strict=True):
        quantity = Fraction(event.quantity)
        if valued.provisional:
            return  # the settlement of what was not there has tests of its own
        if event.effect is PoolEffect.RECEIPT:
            layers.append([quantity, Fraction(event.value) / quantity, Fraction(event.key)])
            continue
        exact = Fraction(0)
        slack = Fraction(0)
        while quantity:
            left, unit_cost, key = layers[0]
            taken = min(left, quantity)
            exact += taken * unit_cost
            quantity -= taken
            layers[0][0] -= taken
            touched[int(key)] = touched.get(int(key), 0) + 1
            # The error of what is left of a layer: half a digit for each time it was taken from.
            slack += LAST_PLACE * touched[int(key)]
            if not layers[0][0]:
                layers.pop(0)
        assert abs(Fraction(valued.value) - exact) <= slack
    assert [q for q, _ in valuation.closing.layers] == [q for q, _, _ in layers]


@many
@given(histories(only=[PoolEffect.RECEIPT, PoolEffect.ISSUE]))
def test_the_moving_average_is_the_average_of_what_is_there(events: list[PoolEvent]) -> None:
    """Against exact fractions: each issue so far adds at most half a digit of drift to the pool."""
    quantity = value = drift = Fraction(0)
    for event, valued in zip(events, run(events, CostFormula.MOVING_AVERAGE).values, strict=True):
        if valued.provisional:
            return
        if event.effect is PoolEffect.RECEIPT:
            quantity, value = quantity + Fraction(event.quantity), value + Fraction(event.value)
            continue
        exact = value * Fraction(event.quantity) / quantity
        assert abs(Fraction(valued.value) - exact) <= drift + LAST_PLACE / 2
        drift += LAST_PLACE / 2
        quantity, value = quantity - Fraction(event.quantity), value - exact
        if not quantity:
            value = drift = Fraction(0)


@many
@given(histories(only=[PoolEffect.RECEIPT, PoolEffect.ISSUE, PoolEffect.RETURN]), METHODS)
def test_what_comes_back_in_full_comes_back_at_the_value_it_went_out_with(
    events: list[PoolEvent], method: CostFormula
) -> None:
    by_key = {event.key: event for event in events}
    worth = {valued.key: valued.value for valued in run(events, method).values}
    back: dict[int, tuple[Decimal, Decimal]] = {}
    for event in events:
        if event.origin is not None:
            quantity, value = back.get(event.origin, (D(0), D(0)))
            back[event.origin] = (quantity + event.quantity, value + worth[event.key])
    for origin, (quantity, value) in back.items():
        assert value <= worth[origin]
        if quantity == by_key[origin].quantity:
            assert value == worth[origin]


def test_the_total_cost_of_all_issues_is_the_same_by_either_formula() -> None:
    events = [receipt(1, 3, 10), receipt(2, 7, "99.99"), issue(3, 4), receipt(4, 1, "0.0001"), issue(5, 7)]
    for method in CostFormula:
        assert sum(values(run(events, method))) == 2 * (D(10) + D("99.99") + D("0.0001"))


def test_a_third_of_a_cent_is_not_lost() -> None:
    for method in CostFormula:
        valuation = run([receipt(1, 3, 10), issue(2, 1), issue(3, 1), issue(4, 1)], method)
        assert values(valuation)[1:] == [D("3.3333"), D("3.3334"), D("3.3333")]
        assert valuation.closing.value == 0


def test_half_a_digit_is_rounded_to_even() -> None:
    assert proportion(D("0.0001"), D(1), D(2)) == 0
    assert proportion(D("0.0003"), D(1), D(2)) == D("0.0002")


def test_the_largest_amounts_are_exact() -> None:
    value, quantity = D("999999999.9999"), D("9999999.9999")
    part = D("1234567.8901")
    exact = Fraction(value) * Fraction(part) / Fraction(quantity)
    taken = values(
        run(
            [PoolEvent(1, PoolEffect.RECEIPT, quantity, value), PoolEvent(2, PoolEffect.ISSUE, part)],
            CostFormula.FIFO,
        )
    )
    assert abs(Fraction(taken[1]) - exact) <= LAST_PLACE / 2


def test_stock_used_before_it_came_is_valued_at_the_last_known_cost_and_settled_by_the_receipt() -> None:
    for method in CostFormula:
        valuation = run([receipt(1, 2, 10), issue(2, 5), receipt(3, 10, 70)], method)
        assert valuation.values[1].value == 25
        assert valuation.values[1].provisional
        assert valuation.adjustments == [Adjustment(3, 2, D(3), D(15), D(21))]
        assert valuation.adjustments[0].amount == 6
        assert (valuation.closing.quantity, valuation.closing.value) == (D(7), D(49))


def test_what_is_used_from_an_empty_pool_costs_the_last_average_or_the_latest_receipt() -> None:
    events = [receipt(1, 2, 10), receipt(2, 2, 20), issue(3, 4), issue(4, 2)]
    assert values(run(events, CostFormula.MOVING_AVERAGE))[3] == 15
    assert values(run(events, CostFormula.FIFO))[3] == 20


def test_a_first_use_of_what_never_came_is_worth_nothing_until_it_comes() -> None:
    valuation = run([issue(1, 2), receipt(2, 1, 5), receipt(3, 1, 7)], CostFormula.FIFO)
    assert values(valuation) == [0, 5, 7]
    assert [(a.key, a.adjusts, a.amount) for a in valuation.adjustments] == [(2, 1, D(5)), (3, 1, D(7))]


def test_only_what_is_used_before_it_came_is_provisional() -> None:
    events = [
        receipt(1, 4, 20),
        issue(2, 2),
        PoolEvent(3, PoolEffect.RETURN, D(1), origin=2),
        PoolEvent(4, PoolEffect.GAIN, D(1)),
        PoolEvent(5, PoolEffect.CREDIT, D(4), origin=1),
        issue(6, 1),
    ]
    for method in CostFormula:
        assert [valued.key for valued in run(events, method).values if valued.provisional] == [6]


def test_what_is_settled_in_full_is_owed_no_more() -> None:
    for settling in (receipt(2, 2, 10), PoolEvent(2, PoolEffect.GAIN, D(2))):
        for method in CostFormula:
            assert len(run([issue(1, 2), settling], method).closing.owed) == 0


def test_several_uses_wait_in_the_order_they_were_made() -> None:
    valuation = run([issue(1, 2), issue(2, 2), receipt(3, 3, 30)], CostFormula.MOVING_AVERAGE)
    settled = [(a.adjusts, a.quantity, a.actual) for a in valuation.adjustments]
    assert settled == [(1, D(2), D(20)), (2, D(1), D(10))]
    assert valuation.closing.quantity == -1


def test_what_a_count_finds_comes_in_at_the_last_known_cost() -> None:
    events = [receipt(1, 2, 10), receipt(2, 2, 20), PoolEvent(3, PoolEffect.GAIN, D(2))]
    assert values(run(events, CostFormula.FIFO))[2] == 20  # the latest receipt
    assert values(run(events, CostFormula.MOVING_AVERAGE))[2] == 15  # the average


def test_what_a_count_finds_of_stock_that_was_owed_takes_the_debt_back_without_adjustment() -> None:
    valuation = run([receipt(1, 1, 4), issue(2, 3), PoolEvent(3, PoolEffect.GAIN, D(2))], CostFormula.FIFO)
    assert values(valuation) == [4, 12, 8]
    assert valuation.adjustments == []
    assert (valuation.closing.quantity, valuation.closing.value) == (D(0), D(0))


def test_returned_stock_is_the_next_to_go_out_under_fifo() -> None:
    events = [
        receipt(1, 2, 2),
        receipt(2, 2, 20),
        issue(3, 2),
        PoolEvent(4, PoolEffect.RETURN, D(1), origin=3),
        issue(5, 1),
    ]
    assert values(run(events, CostFormula.FIFO))[2:] == [2, 1, 1]


def test_a_return_settles_what_is_owed_and_teaches_no_new_cost() -> None:
    events = [
        receipt(1, 1, 4),
        issue(2, 1),
        receipt(3, 1, 10),
        issue(4, 2),
        PoolEvent(5, PoolEffect.RETURN, D(1), origin=2),
        issue(6, 1),
    ]
    for method in CostFormula:
        valuation = run(events, method)
        assert values(valuation)[3:] == [20, 4, 10]
        assert valuation.adjustments == [Adjustment(5, 4, D(1), D(10), D(4))]


def test_undoing_a_receipt_that_was_used_leaves_the_difference_as_an_adjustment() -> None:
    events = [
        receipt(1, 10, 10),
        receipt(2, 10, 30),
        issue(3, 10),
        PoolEvent(4, PoolEffect.CREDIT, D(10), origin=2),
    ]
    average = run(events, CostFormula.MOVING_AVERAGE)
    assert values(average)[2:] == [20, 30]
    assert average.adjustments == [Adjustment(4, 4, D(10), D(30), D(20))]
    assert average.closing.value == 0


def test_a_change_of_formula_keeps_quantity_and_value() -> None:
    pool = run([receipt(1, 2, 10), receipt(2, 2, 21)], CostFormula.FIFO).closing
    before = (pool.quantity, pool.value)
    pool.change_method(CostFormula.MOVING_AVERAGE)
    assert (pool.quantity, pool.value, len(pool.layers)) == (*before, 1)
    assert pool.unit_cost == (D(31), D(4))
    pool.change_method(CostFormula.FIFO)
    assert (pool.quantity, pool.value) == before


def test_a_change_to_the_same_formula_changes_nothing() -> None:
    for method in CostFormula:
        pool = run([receipt(1, 2, 10), receipt(2, 2, 21)], method).closing
        before = pool.copy()
        pool.change_method(method)
        assert pool == before


def test_an_empty_pool_keeps_its_last_cost_when_the_formula_changes() -> None:
    pool = run([receipt(1, 2, 10), issue(2, 2)], CostFormula.FIFO).closing
    pool.change_method(CostFormula.MOVING_AVERAGE)
    assert (len(pool.layers), pool.unit_cost) == (0, (D(10), D(2)))


@pytest.mark.parametrize("quantity", ["0", "-1"])
def test_a_quantity_that_is_not_positive_is_refused(quantity: str) -> None:
    with pytest.raises(ValueError, match="is not positive"):
        run([issue(1, quantity)], CostFormula.FIFO)


def test_more_back_than_went_out_is_refused() -> None:
    events = [receipt(1, 5, 5), issue(2, 2), PoolEvent(3, PoolEffect.RETURN, D(3), origin=2)]
    with pytest.raises(ValueError, match="3 came back of 2"):
        run(events, CostFormula.FIFO)


def test_a_return_without_an_origin_is_refused() -> None:
    with pytest.raises(ValueError, match="names no origin"):
        run([PoolEvent(1, PoolEffect.RETURN, D(1))], CostFormula.FIFO)
