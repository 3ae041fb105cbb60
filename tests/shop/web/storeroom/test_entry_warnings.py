"""What is asked before a document is posted."""

from decimal import Decimal

from shop.web.storeroom.entry_warnings import Entered, count_questions, questions


def test_ten_times_the_usual_is_asked_about_and_nine_times_is_not() -> None:
    usual = [Decimal(10), Decimal(12), Decimal(8)]
    assert list(questions([Entered("Disc", "each", Decimal(100), usual)]))
    assert not list(questions([Entered("Disc", "each", Decimal(99), usual)]))


def test_a_cost_twice_or_half_the_last_is_asked_about() -> None:
    for cost, asked in (("20", 0), ("21", 1), ("5", 0), ("4.9", 1)):
        line = Entered("Disc", "each", Decimal(10), cost=Decimal(cost), last_cost=Decimal(1))
        assert len(list(questions([line]))) == asked, cost


def test_lines_of_one_consumable_are_held_against_the_book_together() -> None:
    line = Entered("Disc", "each", Decimal(6), held=Decimal(10))
    assert not list(questions([line]))
    assert len(list(questions([line, line]))) == 1


def test_a_count_far_from_the_book_is_asked_about_without_telling_the_book() -> None:
    asked = list(count_questions([Entered("Disc", "each", Decimal(4), held=Decimal(40))]))
    assert len(asked) == 1
    assert "40" not in asked[0]
    assert not list(count_questions([Entered("Disc", "each", Decimal(0), held=Decimal(40))]))
