"""What is ordered from whom: hand-computed examples, published ones, and what must hold for any shop."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.purchasing.lead_time_demand import BurnAhead
from forecasting.purchasing.lead_times import LeadTime, learned_lead_time
from forecasting.purchasing.order_cycles import cycle_quantities, cycle_quantity
from forecasting.purchasing.reorder_rules import OrderLine, decide
from forecasting.purchasing.sourcing import SURELY_USED, Item, Offer, ShopRules, SupplierRules
from forecasting.stock_control.price_breaks import PriceList
from forecasting.stock_control.quantile_demand import quantile_at
from tests.oracles.joint_replenishment import JointItem, joint_replenishment

D = Decimal

LEVELS = (0.1, 0.2, 0.5, 0.95, 0.99)
WEEK = (D(35), D(42), D(70), D(98), D(112))
# Delivered after 7 days for certain; reviewed every 7: 14 days, at 95% 196 units of WEEK.
PUNCTUAL = LeadTime(7.0, 0.0, 7, 0)
RULES = ShopRules(service=D("0.95"), review_days=7, cover_days=28, holding_rate=D("0.365"))
FREE = {"s": SupplierRules(), "t": SupplierRules()}


def burn(week: tuple[Decimal, ...] = WEEK, weeks: int = 4) -> BurnAhead:
    """Return a burn whose mean is its median, growing in proportion to time."""
    ahead = range(1, weeks + 1)
    return BurnAhead(LEVELS, {n: n * week[2] for n in ahead}, {n: tuple(n * q for q in week) for n in ahead})


def offer(supplier: str = "s", price: str = "25", units: int = 25, **changes: object) -> Offer:
    """Return a box of 25 at 25.00: a unit costs 1.00."""
    made = Offer(1, supplier, "box", D(units), PriceList(D(price)), PUNCTUAL)
    return replace(made, **changes)  # type: ignore[arg-type]


def item(on_hand: int = 150, on_order: int = 50, owed: int = 10, **changes: object) -> Item:
    """Return an item whose position is 190 unless told."""
    made = Item("disc", "each", D(on_hand), D(on_order), D(owed), D(0), burn(), (offer(),))
    return replace(made, **changes)  # type: ignore[arg-type]


def ordered(*items: Item, rules: ShopRules = RULES, **suppliers: SupplierRules) -> dict[str, OrderLine]:
    """Return the lines ordered, by consumable, from any supplier."""
    plan = decide(items, {**FREE, **suppliers}, rules)
    return {line.wish.item.consumable: line for lines in plan.orders.values() for line in lines}


def test_a_position_below_the_level_is_brought_to_it_in_whole_packs() -> None:
    # 150 + 50 - 10 = 190, 196 cover the next 14 days in 95 of 100 cases: 6 are missing, one box of 25.
    line = ordered(item())["disc"]
    assert (line.wish.reorder_level, line.wish.order_up_to, line.wish.missing) == (D(196), D(196), D(6))
    assert (line.wish.packs, line.wish.cost) == (1, D(25))
    assert (line.median, line.high) == (D(140), D(196))
    assert line.wish.cover_days(1) == D("21.5")  # 190 + 25 at 10 a day
    assert line.why == (
        "150 each in the depot, 50 on order, less 10 that vans wait for; 196 cover the next 7 days of "
        "delivery and 7 to the next review in 95 of 100 cases; 6 are missing up to 196: 1 x box of 25."
    )


def test_a_position_at_the_level_is_enough_where_an_order_costs_nothing() -> None:
    assert ordered(item(on_hand=156)) == {}


def test_an_order_that_costs_something_brings_the_economic_quantity_too() -> None:
    # sqrt(2 x 5 x 10 a day / (0.365 / 365 x 1.00)) = sqrt(100,000) = 316.2278; 322.2278 missing, 13 boxes.
    line = ordered(item(), s=SupplierRules(order_cost=D(5)))["disc"]
    assert line.wish.order_up_to == D("512.2278")
    assert (line.wish.missing, line.wish.packs) == (D("322.2278"), 13)


def test_items_of_one_supplier_share_the_cost_of_an_order() -> None:
    # Two equal items share one cycle of sqrt(2 x 5 / (2 x 0.001 x 10)) days: 22.36, 223.6068 each.
    pair = [(item(), offer()), (item(consumable="other"), offer())]
    joint = JointItem("either", D(0), D("0.001"), D(10))
    assert joint_replenishment(D(5), [joint, joint]).quantities == (D("223.6068"), D("223.6068"))
    assert cycle_quantities(pair, D(5), D("0.365")) == [D("223.6068"), D("223.6068")]
    lonely = cycle_quantities(pair[:1], D(5), D("0.365"))
    assert lonely == [cycle_quantity(item(), offer(), D(5), D("0.365"))] == [D("316.2278")]


def test_what_is_due_by_the_next_review_joins_an_order_but_does_not_make_one() -> None:
    soon = item(consumable="soon", on_hand=226)  # 266: 70 above the level, 7 days' burn
    later = item(consumable="later", on_hand=227)
    costs = SupplierRules(order_cost=D(5))
    assert ordered(soon, later, s=costs) == {}
    lines = ordered(item(), soon, later, s=costs)
    assert set(lines) == {"disc", "soon"}
    assert lines["soon"].wish.joins
    assert "joins the order" in lines["soon"].why


def test_nothing_joins_an_order_that_costs_nothing() -> None:
    # The break alone makes 6 boxes economic, up to 346; 246 are enough until the next review.
    soon = item(
        consumable="soon", on_hand=206, offers=(offer(prices=PriceList(D(25), breaks=((6, D(20)),))),)
    )
    assert set(ordered(item(), soon)) == {"disc"}
    assert set(ordered(item(), soon, s=SupplierRules(order_cost=D("0.5")))) == {"disc", "soon"}


@pytest.mark.parametrize(
    ("order_cost", "first", "price", "cycle"),
    [
        # Alone 79.06 would be economic, with the break its own 150.
        (D("0.5"), 6, D(20), D(150)),
        # Half of the 5: sqrt(2 x 2.5 x 10 / (0.001 x 0.96)) = 228.2177.
        (D(5), 9, D(24), D("228.2177")),
    ],
)
def test_what_joins_is_raised_to_the_break_that_its_economic_quantity_rests_on(
    order_cost: Decimal, first: int, price: Decimal, cycle: Decimal
) -> None:
    # 246 and fewer packs would do until the next order, and cost less.
    breaks = offer(prices=PriceList(D(25), breaks=((first, price),)))
    soon = item(consumable="soon", on_hand=206, offers=(breaks,))
    wish = ordered(item(), soon, s=SupplierRules(order_cost=order_cost))["soon"].wish
    assert (wish.cycle, wish.packs, wish.for_break) == (cycle, first, True)
    assert breaks.prices.cost(first) > breaks.prices.cost(int(-(-wish.missing // 25)))


def test_what_nobody_uses_makes_no_order_for_others_to_join() -> None:
    idle = item(consumable="idle", burn=BurnAhead(LEVELS, {}, {}), on_hand=0, on_order=0, owed=0)
    soon = item(consumable="soon", on_hand=206)
    assert ordered(idle, soon, s=SupplierRules(order_cost=D(5))) == {}


def test_what_is_dear_is_ordered_at_its_level_by_the_piece() -> None:
    # sqrt(2 x 5 x 1 a day / (0.365 / 365 x 20,000)) = 0.7071; 28 cover 14 days in 95 of 100 cases.
    slow = burn((D(3), D(5), D(7), D(14), D(16)))
    dear = item(28, 0, 0, burn=slow, offers=(offer(price="20000", units=1),))
    line = ordered(dear, s=SupplierRules(order_cost=D(5)))["disc"]
    assert (line.wish.missing, line.wish.packs) == (D("0.7071"), 1)


def test_what_is_used_slowly_lasts_long() -> None:
    # Half a disc a day.
    slow = burn((D(0), D(0), D("3.5"), D(7), D(7)))
    assert ordered(item(0, 0, 0, burn=slow))["disc"].wish.cover_days(1) == 50


def test_what_is_measured_is_planned_in_parts_of_its_smallest_pack() -> None:
    # A twentieth of 25 ml is 1.25 ml; of these 157, or 196.25 ml, are the fewest that make 196.
    line = ordered(item(unit="ml", whole=False))["disc"]
    assert line.wish.reorder_level == D("196.25")


def test_a_negative_book_counts_as_none_and_is_said() -> None:
    line = ordered(item(on_hand=-40, on_order=0, owed=0))["disc"]
    assert (line.wish.missing, line.wish.packs) == (D(196), 8)
    assert line.why.startswith("By the book the depot owes 40 each (taken as none: count it);")


def test_what_nobody_uses_is_bought_only_when_vans_wait_for_it() -> None:
    idle = item(burn=BurnAhead(LEVELS, {}, {}), on_hand=0, on_order=0, owed=0)
    assert ordered(idle) == {}
    assert ordered(replace(idle, owed=D(30)))["disc"].wish.packs == 2


def test_the_cheapest_at_the_depot_is_chosen_freight_included() -> None:
    here, there = offer("s", "25"), offer("t", "24", charges=D("0.10"))
    assert ordered(item(offers=(here, there)))["disc"].wish.offer == here
    assert ordered(item(offers=(here, replace(there, charges=D("0.01")))))["disc"].wish.offer.supplier == "t"


def test_offers_are_compared_by_the_unit() -> None:
    # 100 are missing: 4 boxes of 25 at 2.00 or 1.80 a unit, or a case of 200 at 1.90.
    case = offer("t", "380", units=200)
    assert ordered(item(on_hand=56, offers=(offer(price="50"), case)))["disc"].wish.offer == case
    assert ordered(item(on_hand=56, offers=(offer(price="45"), case)))["disc"].wish.packs == 4


def test_a_larger_pack_is_cheaper_only_where_all_of_it_is_needed_or_kept() -> None:
    box, case = offer(), offer("t", "150", units=200)
    assert ordered(item(offers=(box, case)))["disc"].wish.offer == case  # 0.75 against 1.00
    # It keeps 21 days, of which 126 are surely used (3 x 42); of 50 and 30 on order 46 more fit.
    short_lived = item(50, 30, 0, offers=(box, case), shelf_life_days=21)
    line = ordered(short_lived)["disc"]
    assert (line.wish.offer, line.wish.packs, short_lived.most) == (box, 1, D(46))
    assert "no more than 46 will surely be used in the 21 days that it keeps" in line.why


def test_what_cannot_be_used_up_is_not_bought_and_that_is_said() -> None:
    plan = decide([item(0, 0, 0, on_vans=D(110), shelf_life_days=21)], FREE, RULES)
    assert plan.orders == {}
    assert [(one.consumable, "find a smaller pack" in one.reason) for one in plan.left_out] == [
        ("disc", True)
    ]
    full = decide([item(300, 0, 0, shelf_life_days=21)], FREE, RULES)
    assert (full.orders, full.left_out) == ({}, [])


def test_more_packs_are_taken_where_a_break_makes_them_cheaper() -> None:
    # One a week is used, and 4 last 14 days, so the break alone would bring years of stock. But vans wait for
    # 112: of the 116 missing 5 boxes at 25 cost 125, 6 at 20 cost 120.
    breaks = offer(prices=PriceList(D(25), breaks=((6, D(20)),)))
    slow = burn((D(0), D(0), D(1), D(2), D(3)))
    line = ordered(item(0, 0, 112, offers=(breaks,), burn=slow))["disc"]
    assert (line.wish.cycle, line.wish.missing) == (D(0), D(116))
    assert (line.wish.packs, line.wish.cost) == (6, D(120))
    assert "for the lower price from there on" in line.why


def test_more_packs_are_taken_where_a_break_gives_them_for_the_same_money() -> None:
    # 5 boxes at 24 and 6 at 20 cost 120 either way.
    breaks = offer(prices=PriceList(D(24), breaks=((6, D(20)),)))
    slow = burn((D(0), D(0), D(1), D(2), D(3)))
    line = ordered(item(0, 0, 112, offers=(breaks,), burn=slow))["disc"]
    assert (line.wish.missing, line.wish.packs, line.wish.cost) == (D(116), 6, D(120))


def test_a_break_beyond_the_economic_quantity_is_left_alone() -> None:
    # 13 boxes bring the economic 316.2278, as above; 20 for a cent less each would be kept for too long.
    breaks = offer(prices=PriceList(D(25), breaks=((20, D("24.99")),)))
    line = ordered(item(offers=(breaks,)), s=SupplierRules(order_cost=D(5)))["disc"]
    assert (line.wish.cycle, line.wish.packs, line.wish.for_break) == (D("316.2278"), 13, False)


def test_a_break_below_what_is_missing_changes_no_quantity() -> None:
    # sqrt(2 x 5 x 10 / (0.001 x 0.96)) = 322.7486; 328.7486 are missing, 14 boxes.
    breaks = offer(prices=PriceList(D(25), breaks=((2, D(24)),)))
    wish = ordered(item(offers=(breaks,)), s=SupplierRules(order_cost=D(5)))["disc"].wish
    assert (wish.missing, wish.packs, wish.for_break) == (D("328.7486"), 14, False)


@pytest.mark.parametrize(("weeks", "packs"), [(149, 5), (150, 6), (151, 6)])
def test_a_break_is_taken_where_all_its_stock_is_used_within_its_life(weeks: int, packs: int) -> None:
    # One a week is surely used. 116 are missing; 6 boxes for less than 5 are 150.
    breaks = offer(prices=PriceList(D(25), breaks=((6, D(20)),)))
    slow = burn((D(0), D(1), D(1), D(2), D(3)))
    asked = item(0, 0, 112, offers=(breaks,), burn=slow, shelf_life_days=7 * weeks)
    assert ordered(asked)["disc"].wish.packs == packs


def test_a_break_is_left_alone_where_its_stock_would_outlive_its_life() -> None:
    # It keeps 21 days: of the 126 surely used 86 more fit; the 6 boxes of the break would be 150.
    breaks = offer(prices=PriceList(D(25), breaks=((6, D(20)),)))
    kept = ordered(item(40, 0, 0, offers=(breaks,), shelf_life_days=21))["disc"]
    assert (kept.wish.cycle, kept.wish.packs) == (D(150), 3)


@pytest.mark.parametrize(("all_units", "quantity"), [(True, D(800)), (False, D("304.0468"))])
def test_price_breaks_as_published(all_units: bool, quantity: Decimal) -> None:
    # Snyder and Shen, the discount structure of chapter 3 (see tests/published/test_policies_published.py):
    # 8 an order, 30% a year, 1,300 a year at 0.75, 0.72 from 400, 0.68 from 800. Here by the day, and the
    # incremental prices start one unit later, as a pack's price does.
    shift = 0 if all_units else 1
    prices = PriceList(
        D("0.75"), all_units=all_units, breaks=((400 + shift, D("0.72")), (800 + shift, D("0.68")))
    )
    year = BurnAhead(LEVELS, {52: D(1300) * 364 / 365}, {52: (D(1300),) * 5})
    asked = item(burn=year)
    assert cycle_quantity(asked, offer(units=1, prices=prices), D(8), D("0.3")) == quantity


def test_a_supplier_with_several_items_as_published() -> None:
    # Silver, Pyke and Thomas, the 3-ohm resistor (see tests/published): alone it is ordered by 400.
    year = BurnAhead(LEVELS, {52: D(2400) * 364 / 365}, {52: (D(2400),) * 5})
    asked = [(item(burn=year), offer(price="0.40", units=1))]
    assert round(cycle_quantities(asked, D("3.20"), D("0.24"))[0], 2) == 400


def test_a_small_order_is_topped_up_by_what_runs_out_next() -> None:
    # disc: 26 missing, two boxes, then 220, as long as soon: one box more of each, 100 in all.
    soon, later = item(consumable="soon", on_hand=180), item(consumable="later", on_hand=250)
    lines = ordered(item(on_hand=130), soon, later, s=SupplierRules(least_order_value=D(100)))
    assert {name: (line.wish.packs, line.wish.topped_up) for name, line in lines.items()} == {
        "disc": (3, 1),
        "soon": (1, 1),
    }
    assert "only bring the order to the supplier's least value" in lines["soon"].why
    assert not lines["soon"].wish.for_break
    assert "1 of them to bring the order to the least value" in lines["disc"].why


def test_topping_up_begins_with_the_least_packs_and_goes_on_by_single_ones() -> None:
    # 2 boxes make the 170 discs 220. The other's 210 run out before that: 3 boxes, its least. Then one of
    # discs is next.
    disc = item(on_hand=130, offers=(offer(least_packs=2),))
    other = item(consumable="other", on_hand=170, offers=(offer(least_packs=3),))
    lines = ordered(disc, other, s=SupplierRules(least_order_value=D(130)))
    assert {name: (line.wish.packs, line.wish.topped_up) for name, line in lines.items()} == {
        "disc": (3, 1),
        "other": (3, 3),
    }


def test_an_order_that_stays_too_small_is_not_placed_and_that_is_said() -> None:
    # The cover may reach 7 + 28 days: from 190, six boxes make 340 (34 days), seven would be 365.
    rules = SupplierRules(least_order_value=D(151))
    plan = decide([item()], {**FREE, "s": rules}, RULES)
    assert plan.orders == {}
    (left,) = plan.left_out
    assert (left.consumable, left.supplier) == ("", "s")
    assert "comes to 150, below the least value of 151" in left.reason
    assert ordered(item(), s=SupplierRules(least_order_value=D(150)))["disc"].wish.packs == 6


def test_topping_up_may_reach_the_last_day_of_the_cover() -> None:
    # 175 and seven boxes make 350: 35 days, the 7 of delivery and 28 of cover.
    disc = item(on_hand=135)
    assert ordered(disc, s=SupplierRules(least_order_value=D(175)))["disc"].wish.packs == 7
    assert ordered(disc, s=SupplierRules(least_order_value=D(176))) == {}


def test_a_supplier_of_whom_nothing_is_due_holds_up_no_other() -> None:
    full, missing = item(consumable="full", on_hand=300), item(offers=(offer("t"),))
    assert set(ordered(full, missing)) == {"disc"}


def test_least_packs_are_kept() -> None:
    assert ordered(item(offers=(offer(least_packs=4),)))["disc"].wish.packs == 4


def test_a_lead_time_that_varies_asks_for_more_stock() -> None:
    late = item(offers=(offer(lead_time=LeadTime(7.0, 3.0, 7, 0)),))
    assert ordered(late)["disc"].wish.reorder_level > ordered(item())["disc"].wish.reorder_level


def test_each_receipt_moves_the_lead_time_from_the_stated_one() -> None:
    # Three times 10 stated, and 16: 46 / 4; variance (3 x (2^2 + 1.5^2) + 4.5^2) / 4.
    one = learned_lead_time(10, [D(16)])
    assert one.mean_days == 11.5
    assert one.deviation_days**2 == pytest.approx(39 / 4)
    many = learned_lead_time(10, [D(16)] * 97)
    assert many.mean_days == pytest.approx(15.82)
    nothing_seen = learned_lead_time(10, [])
    assert (nothing_seen.mean_days, nothing_seen.deviation_days) == (10, 2)


def test_lead_times_mix_as_the_normal_distribution_would() -> None:
    points = LeadTime(10.0, 2.0, 10, 0).points()
    mean = sum(days * weight for days, weight in points)
    assert sum(weight for _, weight in points) == pytest.approx(1)
    assert mean == pytest.approx(10)
    assert sum(weight * (days - 10) ** 2 for days, weight in points) == pytest.approx(4)


@pytest.mark.parametrize(("days", "median"), [(0, 0), (4, 40), (7, 70), (9.5, 100), (28, 280), (56, 560)])
def test_burn_lies_in_proportion_between_and_beyond_the_weeks_forecast(days: float, median: int) -> None:
    assert burn().over(days)[2] == median


@pytest.mark.parametrize(
    ("all_units", "packs", "cost"),
    [(True, 4, 40), (True, 5, 40), (True, 6, 48), (False, 4, 40), (False, 5, 48), (False, 6, 56)],
)
def test_a_break_lowers_the_price_of_all_packs_or_of_those_beyond_it(
    all_units: bool, packs: int, cost: int
) -> None:
    prices = PriceList(D(10), all_units=all_units, breaks=((5, D(8)),))
    assert prices.cost(packs) == cost
    assert PriceList.from_json(prices.to_json()) == prices


@pytest.mark.parametrize(
    ("breaks", "said"),
    [(((5, D(11)),), "above the 10 of fewer"), (((5, D(9)), (5, D(8))), "follows the one from 5")],
)
def test_price_lists_that_cannot_be_are_refused(breaks: tuple[tuple[int, Decimal], ...], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        PriceList(D(10), breaks=breaks)


amounts = st.integers(0, 400)


@st.composite
def offers(draw: st.DrawFn) -> Offer:
    """Return an offer of either supplier with up to two breaks of either kind."""
    price = draw(st.integers(20, 60))
    starts = sorted(draw(st.sets(st.integers(2, 12), max_size=2)))
    breaks = tuple((packs, D(price - 3 * n)) for n, packs in enumerate(starts, 1))
    return Offer(
        key=1,
        supplier=draw(st.sampled_from("st")),
        pack="box",
        units=D(draw(st.sampled_from([1, 10, 25, 60]))),
        prices=PriceList(D(price), all_units=draw(st.booleans()), breaks=breaks),
        lead_time=LeadTime(float(draw(st.integers(1, 20))), float(draw(st.integers(0, 4))), 7, 0),
        least_packs=draw(st.integers(1, 3)),
        charges=D(draw(st.integers(0, 10))) / 100,
    )


@st.composite
def shops(draw: st.DrawFn) -> tuple[list[Item], dict[str, SupplierRules]]:
    """Return some items, and two suppliers' rules."""
    items = [
        Item(
            consumable=f"c{number}",
            unit="each",
            on_hand=D(draw(st.integers(-50, 400))),
            on_order=D(draw(amounts)),
            owed=D(draw(amounts)),
            on_vans=D(draw(amounts)),
            burn=burn(tuple(D(q * draw(st.integers(0, 3))) for q in (0, 0, 0, 0, 0)))
            if draw(st.booleans())
            else burn(),
            offers=tuple(draw(st.lists(offers(), min_size=1, max_size=3))),
            shelf_life_days=draw(st.none() | st.integers(1, 200)),
        )
        for number in range(draw(st.integers(1, 4)))
    ]
    rules = {
        supplier: SupplierRules(D(draw(st.integers(0, 20))), D(draw(st.integers(0, 500))))
        for supplier in "st"
    }
    return items, rules


@settings(max_examples=60)
@given(shops())
def test_orders_keep_packs_least_packs_least_values_and_shelf_lives(
    shop: tuple[list[Item], dict[str, SupplierRules]],
) -> None:
    items, suppliers = shop
    plan = decide(items, suppliers, RULES)
    seen = []
    for supplier, lines in plan.orders.items():
        assert sum(line.wish.cost for line in lines) >= suppliers[supplier].least_order_value
        # Nobody places an order of which nothing is due.
        assert any(line.wish.missing > 0 and not line.wish.joins for line in lines)
        for line in lines:
            wish = line.wish
            seen.append(wish.item.consumable)
            assert wish.offer.supplier == supplier
            assert wish.packs >= wish.offer.least_packs
            assert len(line.why) <= 500
            if wish.item.shelf_life_days is not None:
                used = quantile_at(LEVELS, wish.item.burn.over(wish.item.shelf_life_days), SURELY_USED)
                stock = max(wish.item.on_hand, D(0)) + wish.item.on_order + wish.item.on_vans
                assert stock + wish.packs * wish.offer.units <= used
    assert len(seen) == len(set(seen))
