"""A job's close is asked about, never refused."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.close_review.rules import (
    LEAST_HISTORY,
    Check,
    CloseUnderReview,
    PastCloses,
    RaisedQuestion,
    StandardAmount,
    UsedConsumable,
    check_close,
)

D = Decimal
NOW = datetime(2026, 3, 4, 16, 0, tzinfo=UTC)
DISC = UsedConsumable("P240", "Disc P240", "counted", "each", "P240", D(10), D(3), D(30), D(0))
COMPOUND = UsedConsumable("COMP", "Polishing compound", "measured", "ml", "", None, D(30), D(0), D(0))
PAD = UsedConsumable("PAD", "Backing pad", "worn", "each", "", D(600), D(0), D(50), D(0))
STANDARD = (
    StandardAmount("P240", "Disc P240", D(3), finishing=False),
    StandardAmount("COMP", "Polishing compound", D(30), finishing=True),
)


def close_with(*used: UsedConsumable, outcome: str = "removed", labour: int = 90) -> CloseUnderReview:
    return CloseUnderReview(outcome, D(labour), NOW, used)


def asked(close: CloseUnderReview, *histories: PastCloses) -> list[tuple[str, str]]:
    return [(f.code, f.consumable) for f in check_close(close, STANDARD, histories, now=NOW)]


def only(close: CloseUnderReview, *histories: PastCloses) -> RaisedQuestion:
    (finding,) = check_close(close, STANDARD, histories, now=NOW)
    return finding


def uses(code: str, *quantities: float) -> PastCloses:
    return PastCloses(code, tuple(D(str(quantity)) for quantity in quantities))


def test_an_ordinary_close_raises_no_question() -> None:
    close = close_with(DISC, COMPOUND, PAD)
    assert (
        asked(close, uses("P240", 2, 3, 3, 4, 2, 3, 5, 3), uses("COMP", 20, 25, 30, 30, 35, 40, 30, 28)) == []
    )


def test_minutes_beyond_the_life_of_the_discs_ask_for_more_discs() -> None:
    finding = only(close_with(replace(DISC, minutes=D(31)), COMPOUND))
    assert (finding.code, finding.consumable) == (Check.MINUTES_EXCEED_DISCS, "P240")
    assert finding.message == (
        "Disc P240: 31 minutes are entered with 3 used, and one usually lasts about 10 minutes. "
        "Were 4 used? If so, add them; if not, check the minutes."
    )


def test_a_disc_without_a_life_of_its_own_lasts_the_shops_default() -> None:
    close = close_with(replace(DISC, life_minutes=None), COMPOUND)
    assert asked(close) == []
    shorter = check_close(close, STANDARD, now=NOW, disc_life_minutes=D(8))
    assert [f.code for f in shorter] == [Check.MINUTES_EXCEED_DISCS]
    assert "about 8 minutes. Were 4 used?" in shorter[0].message


def test_minutes_without_a_disc_ask_for_the_disc() -> None:
    finding = only(close_with(replace(DISC, quantity=D(0), minutes=D(12)), COMPOUND))
    assert finding.code == Check.MINUTES_WITHOUT_DISCS
    assert "12 minutes are entered but none was used" in finding.message
    assert "Were 2 used?" in finding.message


def test_minutes_on_a_grade_count_over_all_discs_of_that_grade() -> None:
    other_make = replace(DISC, code="P240-B", name="Disc P240, other make", quantity=D(2), minutes=D(0))
    assert asked(close_with(replace(DISC, minutes=D(50)), other_make, COMPOUND)) == []
    assert asked(close_with(replace(DISC, minutes=D(51)), other_make, COMPOUND)) == [
        (Check.MINUTES_EXCEED_DISCS, "P240")
    ]


def test_worn_and_measured_things_are_not_held_to_the_life_of_a_disc() -> None:
    assert asked(close_with(DISC, replace(COMPOUND, minutes=D(40)), PAD)) == []


@pytest.mark.parametrize("outcome", ["removed", "reduced"])
def test_a_finished_job_without_its_finishing_asks(outcome: str) -> None:
    finding = only(close_with(DISC, outcome=outcome))
    assert (finding.code, finding.consumable) == (Check.FINISHING_MISSING, "COMP")
    assert finding.message.startswith("Polishing compound: none entered")


@pytest.mark.parametrize("outcome", ["not removable", "abandoned"])
def test_an_unfinished_job_needs_no_finishing(outcome: str) -> None:
    assert asked(close_with(DISC, outcome=outcome)) == []


def test_a_finishing_pad_counts_by_its_minutes() -> None:
    standard = (StandardAmount("PAD", "Backing pad", D(0), finishing=True),)
    assert check_close(close_with(DISC, PAD), standard, now=NOW) == ()
    unused = close_with(DISC, replace(PAD, minutes=D(0)))
    assert [f.code for f in check_close(unused, standard, now=NOW)] == [Check.FINISHING_MISSING]


def test_ten_times_the_standard_asks_about_boxes() -> None:
    finding = only(close_with(replace(DISC, quantity=D(30)), COMPOUND))
    assert (finding.code, finding.consumable) == (Check.TEN_TIMES_USUAL, "P240")
    assert finding.message == (
        "Disc P240: 30 entered, where 3 is usual on this kind of job. "
        "Is that single pieces, not boxes? If not, correct it."
    )
    assert asked(close_with(replace(DISC, quantity=D(29)), COMPOUND)) == []


def test_ten_times_the_usual_millilitres_asks_about_the_unit() -> None:
    finding = only(close_with(DISC, replace(COMPOUND, quantity=D(30000))))
    assert "30000 ml entered, where 30 ml is usual" in finding.message
    assert "Is that in ml, not in a smaller unit?" in finding.message


def test_what_was_usual_on_past_jobs_goes_before_the_standard() -> None:
    lots = uses("P240", *[20] * LEAST_HISTORY)
    assert asked(close_with(replace(DISC, quantity=D(40)), COMPOUND), lots) == [
        (Check.FAR_FROM_USUAL, "P240"),
    ]
    too_few = uses("P240", *[20] * (LEAST_HISTORY - 1))
    assert asked(close_with(replace(DISC, quantity=D(40)), COMPOUND), too_few) == [
        (Check.TEN_TIMES_USUAL, "P240"),
    ]


def test_a_thing_never_seen_and_without_standard_has_nothing_to_be_held_against() -> None:
    tape = UsedConsumable("TAPE", "Masking tape", "measured", "m", "", None, D(500), D(0), D(0))
    assert asked(close_with(DISC, COMPOUND, tape)) == []


def test_a_use_far_outside_the_history_asks_on_both_sides() -> None:
    history = uses("COMP", 28, 30, 33, 29, 31, 30, 27, 34, 30, 32)
    much_more = only(close_with(DISC, replace(COMPOUND, quantity=D(80))), history)
    assert much_more.code == Check.FAR_FROM_USUAL
    assert much_more.message == (
        "Polishing compound: 80 ml entered, much more than the usual 30 ml on the last 10 jobs of this kind. "
        "Is the quantity right? If not, correct it."
    )
    assert "much less" in only(close_with(DISC, replace(COMPOUND, quantity=D(3))), history).message
    assert asked(close_with(DISC, replace(COMPOUND, quantity=D(45))), history) == []


def test_one_absurd_past_use_does_not_make_the_next_one_usual() -> None:
    history = uses("COMP", 28, 30, 33, 29, 31, 30, 27, 34, 30, 8000)
    assert asked(close_with(DISC, replace(COMPOUND, quantity=D(120))), history) == [
        (Check.FAR_FROM_USUAL, "COMP")
    ]


def test_one_piece_more_than_always_is_not_remarkable() -> None:
    always_one = uses("P240", *[1] * 20)
    disc = replace(DISC, minutes=D(0))
    assert asked(close_with(replace(disc, quantity=D(4)), COMPOUND), always_one) == []
    assert asked(close_with(replace(disc, quantity=D(5)), COMPOUND), always_one) == [
        (Check.FAR_FROM_USUAL, "P240")
    ]


def test_more_spoilt_than_used_asks() -> None:
    finding = only(close_with(replace(DISC, spoilt=D(4)), COMPOUND))
    assert (finding.code, finding.consumable) == (Check.SPOILT_EXCEEDS_USED, "P240")
    assert finding.message.startswith("Disc P240: 4 spoilt, but only 3 used.")
    assert asked(close_with(replace(DISC, spoilt=D(3)), COMPOUND)) == []


def test_less_labour_than_minutes_on_grades_asks() -> None:
    finer = replace(DISC, code="P400", name="Disc P400", grade="P400")
    finding = only(close_with(DISC, finer, COMPOUND, labour=59))
    assert (finding.code, finding.consumable) == (Check.LABOUR_BELOW_MINUTES, "")
    assert "add up to 60, but 59 minutes of labour" in finding.message
    assert asked(close_with(DISC, finer, COMPOUND, labour=60)) == []


def test_a_pad_runs_alongside_the_grades_but_not_longer_than_the_job() -> None:
    assert asked(close_with(DISC, PAD, COMPOUND, labour=50)) == []
    assert asked(close_with(DISC, PAD, COMPOUND, labour=49)) == [(Check.LABOUR_BELOW_MINUTES, "PAD")]


def test_a_close_in_the_future_asks_about_the_clock() -> None:
    close = replace(close_with(DISC, COMPOUND), closed_at=NOW + timedelta(minutes=6))
    finding = only(close)
    assert (finding.code, finding.consumable) == (Check.CLOSED_IN_FUTURE, "")
    assert "closed at 2026-03-04 16:06, but it is 2026-03-04 16:00 now" in finding.message
    assert asked(replace(close, closed_at=NOW + timedelta(minutes=5))) == []


quantities = st.decimals(min_value=0, max_value=100_000, places=4)
any_used = st.builds(
    UsedConsumable,
    code=st.sampled_from(["P240", "COMP", "X"]),
    name=st.just("Thing"),
    kind=st.sampled_from(["counted", "measured", "worn"]),
    unit=st.sampled_from(["each", "ml"]),
    grade=st.sampled_from(["", "P240", "P400"]),
    life_minutes=st.none() | st.decimals(min_value=D("0.0001"), max_value=1000, places=4),
    quantity=quantities,
    minutes=quantities,
    spoilt=quantities,
)
any_close = st.builds(
    CloseUnderReview,
    outcome=st.sampled_from(["removed", "reduced", "not removable", "abandoned"]),
    labour_minutes=quantities,
    closed_at=st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    used=st.lists(any_used, max_size=3, unique_by=lambda use: use.code).map(tuple),
)
any_history = st.lists(
    st.builds(
        PastCloses,
        code=st.sampled_from(["P240", "COMP"]),
        quantities=st.lists(quantities, max_size=12).map(tuple),
    ),
    max_size=2,
)


@given(any_close, any_history)
def test_any_close_gets_questions_and_never_an_error(
    close: CloseUnderReview, histories: list[PastCloses]
) -> None:
    findings = check_close(close, STANDARD, histories, now=NOW)
    for finding in findings:
        assert "?" in finding.message
        assert "E+" not in finding.message
        assert finding.consumable in {"", "COMP", *(use.code for use in close.used)}
    assert len({(f.code, f.consumable) for f in findings}) == len(findings)


@given(any_close, any_history, st.integers(1, 5))
def test_more_discs_never_raise_the_question_of_too_few(
    close: CloseUnderReview, histories: list[PastCloses], more: int
) -> None:
    about_discs = {Check.MINUTES_EXCEED_DISCS, Check.MINUTES_WITHOUT_DISCS}
    fuller = replace(close, used=tuple(replace(use, quantity=use.quantity + more) for use in close.used))
    before, after = (
        sum(f.code in about_discs for f in check_close(some, STANDARD, histories, now=NOW))
        for some in (close, fuller)
    )
    assert after <= before


@given(any_close, any_history)
def test_the_order_of_past_uses_does_not_matter(close: CloseUnderReview, histories: list[PastCloses]) -> None:
    backwards = [replace(history, quantities=history.quantities[::-1]) for history in histories]
    assert check_close(close, STANDARD, backwards, now=NOW) == check_close(
        close, STANDARD, histories, now=NOW
    )
