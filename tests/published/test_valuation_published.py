"""Valuation and landed cost against published worked examples.

[read]: inputs and answers read in a stored copy of the source named; [memory]: inputs recalled, not read
again; [computed]: follows from inputs read, where the source prints a figure rounded on the way.
"""

from collections.abc import Sequence
from decimal import Decimal

import pytest

from inventory.valuation.cost_layers import (
    CostFormula,
    Origin,
    Pool,
    PoolEffect,
    PoolEvent,
    Valuation,
    value_events,
)
from inventory.valuation.landed_cost import allocate, landed_costs

D = Decimal
CENT = D("0.01")
FIFO, AVERAGE = CostFormula.FIFO, CostFormula.MOVING_AVERAGE
Bought = tuple[int, str]  # units, cost of one


def run(method: CostFormula, *steps: Bought | int) -> Valuation:
    """Value purchases (units, unit cost) and issues (units), in order."""
    events = [
        PoolEvent(key, PoolEffect.ISSUE, D(step))
        if isinstance(step, int)
        else PoolEvent(key, PoolEffect.RECEIPT, D(step[0]), step[0] * D(step[1]))
        for key, step in enumerate(steps)
    ]
    return value_events(events, Pool(method), {})


def issued(valuation: Valuation, steps: Sequence[Bought | int]) -> list[Decimal]:
    return [v.value for v, step in zip(valuation.values, steps, strict=True) if isinstance(step, int)]


def units_at(pool: Pool) -> list[tuple[Decimal, Decimal]]:
    return [(quantity, value / quantity) for quantity, value in pool.layers]


# OpenStax, Principles of Accounting, Volume 1, section 10.3: 150 at 21; 120 sold; 225 bought at 27;
# 180 sold; 210 bought at 33. [memory]
OPENSTAX: list[Bought | int] = [(150, "21"), 120, (225, "27"), 180, (210, "33")]


def test_openstax_perpetual_fifo() -> None:
    # Cost of goods sold 7,200, closing 8,955 for 285. [memory of both; they follow from the inputs]
    valuation = run(FIFO, *OPENSTAX)
    assert sum(issued(valuation, OPENSTAX)) == 7_200
    assert (valuation.closing.quantity, valuation.closing.value) == (D(285), D(8_955))


def test_openstax_perpetual_moving_average() -> None:
    # Printed: cost of goods sold 7,253, closing 8,902. [memory] Unrounded, the second sale is 4,732.9412.
    # [computed]
    valuation = run(AVERAGE, *OPENSTAX)
    assert issued(valuation, OPENSTAX) == [D(2_520), D("4732.9412")]
    assert round(sum(issued(valuation, OPENSTAX))) == 7_253
    assert round(valuation.closing.value) == 8_902


def test_fifo_of_an_ias_2_explainer() -> None:
    # The explainer of IAS 2 in the project's reference notes: opening 1,000 at 10; 300 at 9.5, 200 at 9.7 and
    # 400 at 9.6 bought; 1,400 used; the 500 left are 400 at 9.6 and 100 at 9.7, 4,810. [read] Used: 13,820 of
    # 18,630. [computed]
    steps: list[Bought | int] = [(1_000, "10"), (300, "9.5"), (200, "9.7"), (400, "9.6"), 1_400]
    valuation = run(FIFO, *steps)
    assert issued(valuation, steps) == [D(13_820)]
    assert units_at(valuation.closing) == [(D(100), D("9.7")), (D(400), D("9.6"))]
    assert valuation.closing.value == 4_810


def test_moving_average_of_a_course_on_merchandise() -> None:
    # instantcertcredit.com, Financial Accounting, lesson 318, average cost in a perpetual system: 500 for
    # 1,200; 300 sold at 2.40 is 720; 100 bought at 3.50 makes 830 for 300; 250 sold; 300 bought at 4. [read]
    # It rounds the average to 2.77 and so sells 692.50; 830 x 250 / 300 is 691.6667. [computed]
    steps: list[Bought | int] = [(500, "2.40"), 300, (100, "3.50"), 250, (300, "4")]
    valuation = run(AVERAGE, *steps)
    assert issued(valuation, steps) == [D(720), D("691.6667")]
    assert round(valuation.closing.value) == 1_338


def test_moving_average_of_a_camera() -> None:
    # "Farman Appliance Mart", exercise on perpetual systems (tutorsglobe.com 5497536): 203 at 141; 116 sold;
    # 232 at 161; 145 sold; 174 at 176; 87 and 116 sold. Averages 141, 155.545, 165.773. [read]
    steps: list[Bought | int] = [(203, "141"), 116, (232, "161"), 145, (174, "176"), 87, 116]
    averages = []
    for end in range(1, len(steps) + 1):
        pool = run(AVERAGE, *steps[:end]).closing
        averages.append(round(pool.value / pool.quantity, 3))
    assert averages == [
        D("141"),
        D("141"),
        D("155.545"),
        D("155.545"),
        D("165.773"),
        D("165.773"),
        D("165.773"),
    ]


def test_moving_average_of_a_january() -> None:
    # "Waterway Industries", moving average in perpetual records (flash cards of an intermediate accounting
    # course, quizlet.com 634164174): 9,200 at 9.71; 6,300 at 10.23; 7,400 sold; 8,200 at 10.69; 11,100 sold.
    # 5,200 left at the rounded average of 10.308: 53,602. [read]
    valuation = run(AVERAGE, (9_200, "9.71"), (6_300, "10.23"), 7_400, (8_200, "10.69"), 11_100)
    assert valuation.closing.quantity == 5_200
    assert round(valuation.closing.value / 5_200, 3) == D("10.308")
    assert round(valuation.closing.value) == 53_602


def test_fifo_of_a_stores_ledger_card() -> None:
    # Stores ledger card by FIFO (askfilo.com 3430323730393132): 1,800 at 12 and 500 at 14 received; 1,000
    # issued at 12,000; 600 at 11 received; 700 issued at 8,400, 1,200 left at 14,800; 900 at 13 received.
    # [read]
    steps: list[Bought | int] = [(1_800, "12"), (500, "14"), 1_000, (600, "11"), 700, (900, "13")]
    valuation = run(FIFO, *steps)
    assert issued(valuation, steps) == [D(12_000), D(8_400)]
    assert run(FIFO, *steps[:5]).closing.value == 14_800
    assert units_at(valuation.closing) == [
        (D(100), D(12)),
        (D(500), D(14)),
        (D(600), D(11)),
        (D(900), D(13)),
    ]


def test_fifo_of_a_first_sale_across_two_layers() -> None:
    # "Grays Company" (edu.com, mathematics question 637094): 17 at 12, 27 at 11; 19 sold under perpetual FIFO
    # are 17 at 12 and 2 at 11. [read] 226. [computed]
    assert issued(run(FIFO, (17, "12"), (27, "11"), 19), [(17, ""), (27, ""), 19]) == [D(226)]


def test_what_comes_back_under_fifo_rejoins_its_own_layer() -> None:
    # Stores ledger (askfilo.com 3336323633373139): 500 at 25; 300 at 30; 200 and 120 issued; 10 of the 120
    # received back: 190 at 25 and 300 at 30 are left. [read] 13,750. [computed]
    events = [
        PoolEvent(1, PoolEffect.RECEIPT, D(500), D(12_500)),
        PoolEvent(2, PoolEffect.RECEIPT, D(300), D(9_000)),
        PoolEvent(3, PoolEffect.ISSUE, D(200)),
        PoolEvent(4, PoolEffect.ISSUE, D(120)),
        PoolEvent(5, PoolEffect.RETURN, D(10), origin=4),
    ]
    valuation = value_events(events, Pool(FIFO), {4: Origin(D(120), D(0))})
    assert [valued.value for valued in valuation.values[2:]] == [D(5_000), D(3_000), D(250)]
    assert (valuation.closing.quantity, valuation.closing.value) == (D(490), D(13_750))


def test_freight_shared_by_cost() -> None:
    # A question to an accounting forum (forums.aat.org.uk 444273): 20 at 50, 30 at 75 and 40 at 100, carriage
    # 750 on 7,250, a rate of 0.10344 on cost: 55.172 and 82.758 a unit. [read]
    landed = landed_costs([D(1_000), D(2_250), D(4_000)], [D(20), D(30), D(40)], D(750), CENT)
    assert sum(landed) == 8_000
    assert [round(value / units, 2) for value, units in zip(landed, (20, 30), strict=False)] == [
        D("55.17"),
        D("82.76"),
    ]


def test_freight_shared_by_weight() -> None:
    # A cost accounting text, on adding freight to materials: 300 of 1,700 pounds take 8.47 of 48. [read, in a
    # collection of excerpts that does not name its source]
    assert allocate(D(48), [D(300), D(1_400)], CENT) == [D("8.47"), D("39.53")]


def test_cost_of_purchase_of_ias_2() -> None:
    # "Inventure plc", IAS 2 practice question (opentuition.com, ACCA FR forum): 9,000 less 5% trade discount
    # of 450 is 8,550, import duty at 10% of it 855. [read] Cost of purchase 9,405. [computed]
    assert landed_costs([D(9_000)], [D(1)], D(855) - D(450), CENT) == [D(9_405)]


def test_largest_remainders_of_the_states_of_1790() -> None:
    # Electowiki, "Hamilton method": the 15 states of 1790 and a House of 60 seats. [read]
    people = [
        *(630_560, 475_327, 432_879, 353_523, 331_589, 278_514, 236_841, 206_236),
        *(179_570, 141_822, 85_533, 70_835, 68_705, 68_446, 55_540),
    ]
    seats = [11, 8, 7, 6, 6, 5, 4, 3, 3, 2, 1, 1, 1, 1, 1]
    assert allocate(D(60), [D(count) for count in people], D(1)) == seats


@pytest.mark.parametrize(
    ("seats", "people", "expected"),
    [
        # Two exercises on Hamilton's method with five and six counties (solvely.ai 459845938 and
        # answerspace.ai 460615317). [read; the second prints final seats of 3, 6, 19, 10, 9, 6]
        (42, [247, 185, 459, 400, 413], [6, 5, 11, 10, 10]),
        (53, [93, 154, 486, 249, 223, 156], [3, 6, 19, 10, 9, 6]),
    ],
)
def test_largest_remainders_of_counties(seats: int, people: list[int], expected: list[int]) -> None:
    assert allocate(D(seats), [D(count) for count in people], D(1)) == expected


@pytest.mark.parametrize(
    ("digits", "expected"),
    [(0, ["34", "33", "33"]), (2, ["33.34", "33.33", "33.33"]), (3, ["33.334", "33.333", "33.333"])],
)
def test_the_minor_unit_of_the_currency_is_not_split(digits: int, expected: list[str]) -> None:
    # ISO 4217: no digits for JPY, two for EUR, three for KWD. [memory] 100 over three equal lines. [computed]
    shares = allocate(D(100), [D(1)] * 3, D(1).scaleb(-digits))
    assert shares == [D(share) for share in expected]
