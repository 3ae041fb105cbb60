"""What each van gets: levels, whole usable units, room, booked jobs, and a short depot shared by need.

All expected numbers are worked out by hand from the quantiles given here.
"""

import random
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting.replenishment.order_up_to import BookedUse, Decision, RestockFacts, decide
from forecasting.stock_control.spoilage import ExpiringLot
from tests.forecasting.restock_shop import LEVELS
from tests.shop.world import amounts

DISC = "disc-p400"
# The median is 6, 0.95 of intervals stay at or under 12, 0.98 at or under 14.
BURN = (1, 4, 6, 9, 11, 12, 14, 15)
PLENTY = {DISC: Decimal(1000)}


def facts(**changes: Any) -> RestockFacts:
    """Return a van with 4 discs that is to last in 95 of 100 cases."""
    values: dict[str, Any] = {
        "van": "van-a",
        "consumable": DISC,
        "unit": "each",
        "on_hand": Decimal(4),
        "on_the_way": Decimal(0),
        "levels": LEVELS,
        "quantiles": tuple(Decimal(quantile) for quantile in BURN),
        "service": Decimal("0.95"),
    }
    return RestockFacts(**(values | changes))


def one(depot: int = 1000, **changes: Any) -> Decision:
    """Return the decision for one van."""
    return decide([facts(**changes)], {DISC: Decimal(depot)}, 9)[0]


def test_a_van_is_filled_up_to_what_lasts_at_the_service() -> None:
    decision = one()
    assert decision.order_up_to == 12
    assert decision.wanted == decision.suggested == 8
    assert amounts(decision.median, decision.high) == (6, 12)
    # 12 discs at 6 in 9 days last 18 days.
    assert decision.cover_days == 18
    assert decision.why == "12 cover the next 9 days in 95 of 100 cases; with 4 on board, 8 are missing."


def test_what_is_on_the_way_counts() -> None:
    decision = one(on_the_way=Decimal(5))
    assert decision.wanted == 3
    assert "with 4 on board and 5 on the way, 3 are missing" in decision.why


def test_enough_on_board_wants_nothing() -> None:
    decision = one(on_hand=Decimal(40))
    assert decision.wanted == decision.suggested == 0
    assert decision.why.endswith("with 40 on board, nothing is missing.")


def test_a_book_under_nothing_is_taken_as_nothing_on_board() -> None:
    decision = one(on_hand=Decimal(-3))
    assert decision.wanted == 12
    assert "by the book the van owes 3 (taken as none: count it), 12 are missing" in decision.why


def test_booked_jobs_lift_the_level_and_say_so() -> None:
    # 5 jobs take 15 in the mean; with a deviation of 4, 95 of 100 take no more than 15 + 1.6449 x 4 = 21.58.
    decision = one(booked=BookedUse(5, Decimal(15), 4.0))
    assert decision.order_up_to == 22
    assert decision.wanted == 18
    assert decision.why.startswith("5 booked jobs take no more than 22 in 95 of 100 cases")
    # What the forecast covers anyway changes nothing.
    assert one(booked=BookedUse(1, Decimal(2), 1.0)) == one()
    assert one(booked=BookedUse(1, Decimal(12), 0.0)).why == one().why
    assert one(booked=BookedUse(1, Decimal(20), 0.0)).why.startswith("1 booked job takes no more than 20")


def test_booked_jobs_alone_are_reason_enough() -> None:
    nothing = tuple(Decimal(0) for _ in LEVELS)
    decision = one(quantiles=nothing, on_hand=Decimal(0), booked=BookedUse(2, Decimal(3), 0.0))
    assert decision.wanted == 3
    assert decision.cover_days is None


def test_a_bottle_goes_out_whole() -> None:
    quantiles = tuple(Decimal(50 * quantile) for quantile in BURN)
    decision = one(
        unit="ml", whole=False, usable_unit=Decimal(250), on_hand=Decimal("80.5"), quantiles=quantiles
    )
    # 600 - 80.5 = 519.5 ml are missing: three bottles.
    assert decision.wanted == 750
    assert "519.5 are missing, 750 in whole 250 ml" in decision.why


def test_decimals_of_what_is_measured_are_kept() -> None:
    quantiles = tuple(Decimal(quantile) * Decimal("0.1") for quantile in BURN)
    decision = one(
        unit="l", whole=False, usable_unit=Decimal("0.25"), on_hand=Decimal("0.1"), quantiles=quantiles
    )
    assert decision.order_up_to == Decimal("1.2")
    assert decision.wanted == Decimal("1.25")
    # 1.35 l at 0.6 in 9 days.
    assert decision.cover_days == Decimal("20.25")


def test_parts_of_a_disc_are_rounded_up() -> None:
    quantiles = tuple(Decimal(quantile) * 9 / 7 for quantile in BURN)
    # 12 x 9 / 7 = 15.43.
    assert one(quantiles=quantiles).order_up_to == 16


@pytest.mark.parametrize(
    ("room", "wanted", "said"),
    [
        (12, 8, "8 are missing."),
        (10, 6, "room for 10 in all, so 6 fit"),
        (3, 0, "room for 3 in all, so 0 fit"),
    ],
)
def test_a_van_gets_no_more_than_it_has_room_for(room: int, wanted: int, said: str) -> None:
    decision = one(room=Decimal(room))
    assert decision.wanted == wanted
    assert said in decision.why


def test_room_leaves_whole_bottles_only() -> None:
    quantiles = tuple(Decimal(50 * quantile) for quantile in BURN)
    decision = one(
        unit="ml",
        whole=False,
        usable_unit=Decimal(250),
        on_hand=Decimal(0),
        quantiles=quantiles,
        room=Decimal(600),
    )
    assert decision.wanted == 500


def lots(*held: tuple[int, str]) -> tuple[ExpiringLot, ...]:
    """Return lots of (days they may still be used, quantity)."""
    return tuple(ExpiringLot(days, Decimal(quantity)) for days, quantity in held)


@pytest.mark.parametrize(
    ("held", "wanted", "said"),
    [
        # 6 in 9 days are 2 in the 3 days that a lot is still good for.
        (((0, "1"), (3, "3")), 10, "with 4 on board (1 expired, 1 will expire unused), 10 are missing."),
        (((0, "1"),), 9, "with 4 on board (1 expired), 9 are missing."),
        (((3, "4"),), 10, "with 4 on board (2 will expire unused), 10 are missing."),
        # 4 are used in 6 days.
        (((6, "4"),), 8, "with 4 on board, 8 are missing."),
        # What is good for the whole interval is for the next restock to see to.
        (((9, "4"),), 8, "with 4 on board, 8 are missing."),
        # 1 and a third are used in 2 days: a disc that is begun is used up.
        (((2, "3"),), 10, "with 4 on board (2 will expire unused), 10 are missing."),
        # The estimate of lots knows of more than the book does.
        (((0, "7"),), 12, "with 4 on board (4 expired), 12 are missing."),
    ],
)
def test_what_expires_before_it_is_used_is_not_there(
    held: tuple[tuple[int, str], ...], wanted: int, said: str
) -> None:
    decision = one(lots=lots(*held))
    assert decision.wanted == wanted
    assert decision.why == f"12 cover the next 9 days in 95 of 100 cases; {said}"
    # The stock then lasts as long as 12 good discs do, at 6 in 9 days.
    assert decision.cover_days is not None
    assert decision.cover_days == 18


def test_what_may_be_used_to_the_end_of_the_interval_is_left_to_the_next_restock() -> None:
    # Of 10 on board 6 are used in 9 days; on the last of them all 10 may still be.
    assert one(on_hand=Decimal(10), lots=lots((9, "10"))) == one(on_hand=Decimal(10))
    assert one(on_hand=Decimal(10), lots=lots((10, "10"))) == one(on_hand=Decimal(10))
    assert one(on_hand=Decimal(10), lots=lots((8, "10"))).wanted > one(on_hand=Decimal(10)).wanted


def test_booked_jobs_use_up_what_expires() -> None:
    booked = BookedUse(2, Decimal(12), 0.0)
    assert one(lots=lots((3, "4")), booked=booked).wanted == 8
    nothing = tuple(Decimal(0) for _ in LEVELS)
    assert one(quantiles=nothing, lots=lots((3, "4")), booked=booked).wanted == 8


def test_what_has_expired_leaves_its_room_and_what_will_does_not() -> None:
    assert one(room=Decimal(12), lots=lots((0, "4"))).wanted == 12
    assert one(room=Decimal(12), lots=lots((3, "4"))).wanted == 8


def test_decimals_of_what_expires_are_kept_where_it_is_measured() -> None:
    # 6 ml in 9 days are 1.3333 in 2 days; 2.6667 of 4 are lost, so 12 - 1.3333 = 10.6667 are missing.
    decision = one(unit="ml", whole=False, usable_unit=Decimal("0.5"), lots=lots((2, "4")))
    assert decision.wanted == 11
    assert "with 4 on board (2.7 will expire unused), 10.7 are missing, 11 in whole 0.5 ml" in decision.why


@pytest.mark.parametrize(
    ("depot", "said"),
    [
        (0, "; the depot has none to give (5 there expired)."),
        (3, "; the depot has 3 for all vans (5 there expired), 3 of it for this one."),
        (30, "8 are missing."),
    ],
)
def test_a_short_depot_says_what_has_expired_there(depot: int, said: str) -> None:
    assert one(depot, depot_expired=Decimal(5)).why.endswith(said)


@pytest.mark.parametrize("depot", [0, -7])
def test_an_empty_depot_gives_nothing_and_the_want_is_kept(depot: int) -> None:
    decision = one(depot)
    assert amounts(decision.wanted, decision.suggested) == (8, 0)
    assert decision.why.endswith("8 are missing; the depot has none to give.")
    assert one(depot, on_hand=Decimal(12)).why.endswith("nothing is missing.")


def test_a_short_depot_goes_where_more_is_likely_to_be_missing() -> None:
    # van-a has nothing and van-b six: the first discs go to van-a until both are as likely to run out.
    vans = [facts(on_hand=Decimal(0)), facts(van="van-b", on_hand=Decimal(6))]
    shares = [decision.suggested for decision in decide(vans, {DISC: Decimal(6)}, 9)]
    assert shares == [6, 0]
    shares = [decision.suggested for decision in decide(vans, {DISC: Decimal(10)}, 9)]
    # Then one to each in turn.
    assert shares == [8, 2]
    assert sum(decision.wanted for decision in decide(vans, {DISC: Decimal(10)}, 9)) == 18


def test_a_short_depot_says_what_it_has() -> None:
    assert one(3).why.endswith("8 are missing; the depot has 3 for all vans, 3 of it for this one.")


def test_equals_share_evenly_and_the_first_name_gets_the_odd_one() -> None:
    vans = [facts(van=van, on_hand=Decimal(0)) for van in ("van-c", "van-b", "van-a")]
    shares = {
        van.van: decision.suggested
        for van, decision in zip(vans, decide(vans, {DISC: Decimal(10)}, 9), strict=True)
    }
    assert shares == {"van-a": 4, "van-b": 3, "van-c": 3}


def test_the_depots_part_bottle_is_not_given() -> None:
    quantiles = tuple(Decimal(50 * quantile) for quantile in BURN)
    decision = one(
        depot=600, unit="ml", whole=False, usable_unit=Decimal(250), on_hand=Decimal(0), quantiles=quantiles
    )
    assert amounts(decision.wanted, decision.suggested) == (750, 500)


def test_short_bottles_are_shared_by_the_bottles_that_vans_have_and_want() -> None:
    # 0.95 of intervals use at most 600 ml: with 500 on board one bottle is wanted, with nothing three.
    bottles = {
        "unit": "ml",
        "whole": False,
        "usable_unit": Decimal(250),
        "quantiles": tuple(Decimal(50 * quantile) for quantile in BURN),
    }
    nothing = facts(**bottles, van="van-b", on_hand=Decimal(0))

    def shares(first: RestockFacts, depot: int) -> list[Decimal]:
        return [decision.suggested for decision in decide([first, nothing], {DISC: Decimal(depot)}, 9)]

    # Two bottles to the empty van, and both are as likely to run out; the first name gets the third.
    assert shares(facts(**bottles, on_hand=Decimal(500)), 500) == [0, 500]
    assert shares(facts(**bottles, on_hand=Decimal(500)), 750) == [250, 500]
    # One bottle to each, and one more to the van that has room for it.
    assert shares(facts(**bottles, on_hand=Decimal(0), room=Decimal(250)), 750) == [250, 500]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"service": Decimal(1)}, "between 0 and 1"),
        ({"service": Decimal(0)}, "between 0 and 1"),
        ({"usable_unit": Decimal(0)}, "not above 0"),
        ({"on_the_way": Decimal(-1)}, "negative"),
        ({"on_hand": Decimal("NaN")}, "not a finite number"),
    ],
)
def test_what_cannot_be_is_refused_with_its_van_and_consumable(change: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=f"disc-p400 for van-a: .*{said}"):
        one(**change)


def test_a_van_that_asks_twice_and_units_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match="asks twice"):
        decide([facts(), facts()], PLENTY, 9)
    with pytest.raises(ValueError, match="differ between vans"):
        decide([facts(), facts(van="van-b", usable_unit=Decimal(5))], PLENTY, 9)
    with pytest.raises(ValueError, match="Protection interval"):
        decide([facts()], PLENTY, 0)


AMOUNTS = st.integers(-5, 30).map(Decimal)
VANS = st.lists(
    st.builds(
        lambda on_hand, way, scale, unit, room, booked, held: {
            "on_hand": on_hand,
            "on_the_way": way,
            "quantiles": tuple(Decimal(quantile * scale) for quantile in BURN),
            "usable_unit": unit,
            "room": room,
            "booked": BookedUse(2, booked, 1.5),
            "lots": lots(*held),
        },
        AMOUNTS,
        st.integers(0, 10).map(Decimal),
        st.integers(0, 3),
        st.just(Decimal(1)),
        st.none() | st.integers(0, 40).map(Decimal),
        st.integers(0, 30).map(Decimal),
        st.lists(st.tuples(st.integers(0, 12), st.integers(1, 9).map(str)), max_size=3),
    ),
    min_size=1,
    max_size=5,
)


@given(vans=VANS, depot=st.integers(-5, 60), unit=st.integers(1, 7), seed=st.integers(0, 100))
def test_never_more_than_the_depot_has_nor_the_van_needs_or_holds_in_any_order_of_asking(
    vans: list[dict[str, Any]], depot: int, unit: int, seed: int
) -> None:
    asking = [
        facts(van=f"van-{number}", **{**van, "usable_unit": Decimal(unit)}) for number, van in enumerate(vans)
    ]
    decisions = dict(zip((one.van for one in asking), decide(asking, {DISC: Decimal(depot)}, 9), strict=True))
    given_ = sum(decision.suggested for decision in decisions.values())
    wanted = sum(decision.wanted for decision in decisions.values())
    assert given_ <= max(depot, 0)
    # Nothing that somebody wants is held back, except for a part of a usable unit.
    assert given_ == min(wanted, max(depot, 0) // unit * unit)
    for one_ in asking:
        decision = decisions[one_.van]
        assert 0 <= decision.suggested <= decision.wanted
        assert decision.suggested % unit == decision.wanted % unit == 0
        aboard = max(one_.on_hand, Decimal(0))
        expired = min(sum(lot.quantity for lot in one_.lots if not lot.days), aboard)
        going = min(sum(lot.quantity for lot in one_.lots if lot.days < 9), aboard)
        if decision.wanted:
            fresh = one_.on_the_way + decision.wanted
            assert one_.room is None or aboard - expired + fresh <= one_.room
            assert aboard - going + fresh - unit < decision.order_up_to
        if one_.room is None:
            assert aboard - expired + one_.on_the_way + decision.wanted >= decision.order_up_to
        assert len(decision.why) <= 500
    shuffled = asking.copy()
    random.Random(seed).shuffle(shuffled)  # noqa: S311 - examples, not secrets
    again = decide(shuffled, {DISC: Decimal(depot)}, 9)
    assert decisions == {one.van: decision for one, decision in zip(shuffled, again, strict=True)}


@given(vans=VANS, depot=st.integers(0, 40))
def test_another_consumable_changes_nothing(vans: list[dict[str, Any]], depot: int) -> None:
    asking = [facts(van=f"van-{number}", **van) for number, van in enumerate(vans)]
    alone = decide(asking, {DISC: Decimal(depot)}, 9)
    other = [replace(one, consumable="other") for one in asking]
    both = decide([*other, *asking], {DISC: Decimal(depot), "other": Decimal(3)}, 9)
    assert both[len(other) :] == alone
