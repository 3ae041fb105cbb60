"""Whatever people do with a restock: stock is conserved, and its lines agree with the ledger."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.models import Restock
from forecasting.replenishment.approval import approve, cancel, reopen, take_approval_back
from forecasting.replenishment.discrepancies import Settlement, settle
from forecasting.replenishment.pick_ship_receive import confirm, pick, take_confirmation_back, take_pick_back
from forecasting.workflow import Done, StepRefused
from inventory.integrity import stock_checks
from inventory.models import Movement
from tests.forecasting.replenishment.test_pick_ship_receive import WAY, new_restock
from tests.forecasting.restock_shop import (
    COMPOUND,
    DISC,
    NOW,
    PAD,
    line,
    stock,
)
from tests.inventory.small_shop import undone_afterwards
from tests.thoroughness import examples

pytestmark = pytest.mark.django_db
STEPS = st.lists(
    st.tuples(
        st.sampled_from(
            [
                approve,
                pick,
                confirm,
                take_approval_back,
                take_pick_back,
                take_confirmation_back,
                cancel,
                reopen,
            ]
        )
        | st.just(settle),
        st.integers(0, 12),
        st.integers(0, 12),
        st.sampled_from(["at_depot", "on_van", "lost"]),
    ),
    min_size=3,
    max_size=12,
)


# Histories that get somewhere are rare among random ones, so most start on the way.
STARTS = [[], [approve], [approve, pick], [approve, pick, confirm]]


@given(start=st.sampled_from(STARTS), steps=STEPS)
@settings(max_examples=examples(30))
def test_whatever_people_do_stock_is_conserved_and_lines_agree_with_the_ledger(
    start: list[Callable[..., Done[Restock]]], steps: list[tuple[Callable[..., Done[Restock]], int, int, str]]
) -> None:
    with undone_afterwards():
        restock = new_restock()
        for action in start:
            action(restock.pk, by="", now=NOW)
        for number, (action, discs, compound, where) in enumerate(steps):
            now = NOW + timedelta(minutes=number)
            quantities = {DISC: Decimal(discs), COMPOUND: Decimal(compound) / 4}
            try:
                if action is settle:
                    open_ = line(restock).open
                    part = min(abs(open_), Decimal(discs))
                    settle(restock.pk, {DISC: Settlement(open_, **{where: part})}, by="", now=now)
                elif action in (approve, pick, confirm):
                    action(restock.pk, quantities, by="", now=now)
                else:
                    action(restock.pk, by="", now=now)
            except StepRefused:
                pass
            _assert_conserved(restock)


def _assert_conserved(restock: Restock) -> None:
    held = stock()
    for code, all_of_it in ((DISC, 105), (COMPOUND, 2000), (PAD, 10)):
        lost = sum((row.lost for row in restock.lines.filter(consumable__code=code)), Decimal(0))
        places = ("depot", WAY, "van-a")
        assert sum(held.get((place, code), Decimal(0)) for place in places) == all_of_it - lost
        row = line(restock, code)
        under_way = row.open if row.received is not None else row.picked or Decimal(0)
        assert held.get((WAY, code), Decimal(0)) == under_way
    assert list(stock_checks.stock_disagreements()) == []
    assert not Movement.objects.filter(quantity__lte=0).exists()
